"""Every page of the journal, written where it isn't as it should be. Edge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date

from dooryard.history.entries import Entry
from dooryard.journal import page_day, page_days, page_visitor, paths, render
from dooryard.journal.desk import Desk
from dooryard.journal.feed import MOST_ENTRIES, feed
from dooryard.journal.files import Manifest, Site
from dooryard.journal.page_visitor import Effort
from dooryard.journal.phrases import many

HELD_DAYS = 30  # dates on the page of what was held back


@dataclass(slots=True)
class Writer:
    """Puts pages into the site and notes in `new` what they were made of; `written` are those made anew."""

    site: Site
    old: Manifest
    new: Manifest
    written: list[str]
    _waiting: list[tuple[str, Callable[[], bytes]]] = field(default_factory=list)

    def put(self, path: str, key: str, make: Callable[[], bytes]) -> None:
        """Have `finish` write what `make` makes, unless what stands there has the fingerprint `key`."""
        self.new.pages[path] = key
        if not self.site.has(path):
            self._write(path, make)
        elif self.old.pages.get(path) != key:
            self._waiting.append((path, make))

    def finish(self) -> None:
        """Write the pages that stood there before.

        A page that is new has no link to it until these are written; so no reader comes to a link that
        leads nowhere, though new pages lead to one another.
        """
        for path, make in self._waiting:
            self._write(path, make)

    def _write(self, path: str, make: Callable[[], bytes]) -> None:
        self.site.write(path, make())
        self.written.append(path)


def write_pages(desk: Desk, writer: Writer, effort: Effort) -> None:
    """All of them; the first page last of all."""
    writer.put(paths.STYLE, render.fingerprint(), render.style)
    writer.put(paths.ABOUT, desk.key("about"), lambda: _about(desk))
    for day in desk.survey.days:
        _write_day(desk, writer, day)
    _write_visitors(desk, writer, effort)
    _write_years(desk, writer)
    _write_newest(desk, writer)
    writer.finish()


def _write_day(desk: Desk, writer: Writer, day: date | None) -> None:
    writer.put(paths.day_page(day), desk.day_key(day), lambda: day_html(desk, day))


def _write_visitors(desk: Desk, writer: Writer, effort: Effort) -> None:
    place = desk.policy.place
    for key, visitor in desk.survey.visitors.items():
        path = paths.visitor_page(key)
        view = page_visitor.visitor_view(visitor, effort, place.zone, place.name)

        def make(path: str = path, view: page_visitor.VisitorView = view) -> bytes:
            return render.page(
                "visitor.html", path, view, desk.shared, title=view.title, description=view.lead
            )

        writer.put(path, desk.key(view), make)


def _write_years(desk: Desk, writer: Writer) -> None:
    years = page_days.years(desk.survey)
    links = [(paths.year_page(each), str(each)) for each in years]
    for year in years:
        months = page_days.year_of(year, desk.survey.days)

        def make(year: int = year, months: Sequence[page_days.Month] = months) -> bytes:
            return _year_html(desk, year, months, links)

        writer.put(paths.year_page(year), desk.key(months, links), make)


def _write_newest(desk: Desk, writer: Writer) -> None:
    """The pages of what is newest: the first page, what was held back, the feed."""
    dates, place = desk.survey.dates(), desk.policy.place
    index = _index(desk)
    recent = dates[: -HELD_DAYS - 1 : -1]
    days = [
        page_days.held_day(day, desk.entries(day), desk.notebook.held_on(day), place.zone) for day in recent
    ]
    days = [day for day in days if day.cards or day.gate]
    writer.put(paths.HELD_BACK, desk.key(days), lambda: _held_html(desk, days))
    newest, base_url = _newest(desk, dates), desk.shared.base_url
    writer.put(paths.FEED, desk.key(newest), lambda: feed(newest, place.name, place.zone, base_url, desk.now))
    writer.put(paths.INDEX, desk.key(index), lambda: _index_html(desk, index))


def _index(desk: Desk) -> page_days.IndexView:
    dates, place = desk.survey.dates(), desk.policy.place
    latest = desk.entries(dates[-1]) if dates else []
    lead = ""
    if dates:
        counted = [entry for entry in latest if entry.counted]
        lead = page_day.lead(counted, page_day.DayFacts(dates[-1]), desk.policy)
    return page_days.index_view(desk.survey, latest, lead, place.name, place.zone)


def index_html(desk: Desk, forms: render.Forms) -> bytes:
    """The first page as it is served: it can be muted on it."""
    return _index_html(desk, _index(desk), forms)


def _newest(desk: Desk, dates: Sequence[date]) -> list[Entry]:
    """The newest visits that count, newest first, as many as the feed has."""
    found: list[Entry] = []
    for day in reversed(dates):
        found += [entry for entry in reversed(desk.entries(day)) if entry.counted]
        if len(found) >= MOST_ENTRIES:
            break
    return found[:MOST_ENTRIES]


def day_html(desk: Desk, day: date | None, forms: render.Forms | None = None) -> bytes:
    """The page of one date; with `forms`, marks can be made on it."""
    view = page_day.day_view(desk.entries(day), desk.facts(day), desk.policy)
    return render.page(
        "day.html", paths.day_page(day), view, desk.shared,
        title=view.title, description=page_day.description(view), forms=forms,
    )  # fmt: skip


def _year_html(
    desk: Desk, year: int, months: Sequence[page_days.Month], links: Sequence[tuple[str, str]]
) -> bytes:
    visits = sum(each.visits for day, each in desk.survey.days.items() if day and day.year == year)
    lead = f"{many(visits, 'visit').capitalize()} in {year}. The stronger the colour of a day, the more came."
    view = {"heading": f"Days of {year}", "lead": lead, "months": months, "years": links, "picture": None}
    return render.page(
        "calendar.html", paths.year_page(year), view, desk.shared,
        title=f"Days of {year} at {desk.shared.place}", description=lead,
    )  # fmt: skip


def _index_html(desk: Desk, view: page_days.IndexView, forms: render.Forms | None = None) -> bytes:
    lead = f"{view.latest}: {view.latest_lead}" if view.latest else "Nobody has come yet."
    return render.page(
        "index.html", paths.INDEX, view, desk.shared, title=view.title, description=lead, forms=forms
    )


def _held_html(desk: Desk, days: Sequence[page_days.HeldDay]) -> bytes:
    lead = (
        f"What was stored and not told at once, and why, on the newest {HELD_DAYS} days with a visit."
        if days
        else "Nothing was held back lately: every visit was told at once."
    )
    return render.page(
        "held-back.html", paths.HELD_BACK, {"days": days, "lead": lead, "picture": None}, desk.shared,
        title=f"Held back at {desk.shared.place}", description=lead,
    )  # fmt: skip


def _about(desk: Desk) -> bytes:
    return render.page(
        "about.html", paths.ABOUT, {"picture": None}, desk.shared,
        title=f"How to read the journal of {desk.shared.place}",
        description="What the journal's words and numbers mean, and what they do not.",
    )  # fmt: skip
