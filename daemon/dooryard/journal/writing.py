"""Every page of the journal, written where it isn't as it should be. Edge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date

from dooryard.history.entries import Entry
from dooryard.journal import page_day, page_days, page_visitor, paths, render
from dooryard.journal.feed import MOST_ENTRIES, feed
from dooryard.journal.files import Manifest, SiteFolder
from dooryard.journal.page_source import PageSource
from dooryard.journal.page_visitor import Effort
from dooryard.journal.phrases import many

HELD_DAYS = 30  # dates on the page of what was held back


@dataclass(slots=True)
class Writer:
    """Puts pages into the site and notes in `new` what they were made of; `written` are those made again."""

    site: SiteFolder
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


def write_pages(source: PageSource, writer: Writer, effort: Effort) -> None:
    """All of them; the first page last of all."""
    writer.put(paths.STYLE, render.fingerprint(), render.style)
    writer.put(paths.ABOUT, source.key("about"), lambda: _about(source))
    for day in source.survey.days:
        _write_day(source, writer, day)
    _write_visitors(source, writer, effort)
    _write_years(source, writer)
    _write_newest(source, writer)
    writer.finish()


def _write_day(source: PageSource, writer: Writer, day: date | None) -> None:
    writer.put(paths.day_page(day), source.day_key(day), lambda: day_html(source, day))


def _write_visitors(source: PageSource, writer: Writer, effort: Effort) -> None:
    place = source.policy.place
    for key, visitor in source.survey.visitors.items():
        path = paths.visitor_page(key)
        view = page_visitor.visitor_view(visitor, effort, place.zone, place.name)

        def make(path: str = path, view: page_visitor.VisitorView = view) -> bytes:
            return render.page(
                "visitor.html", path, view, source.shared, title=view.title, description=view.lead
            )

        writer.put(path, source.key(view), make)


def _write_years(source: PageSource, writer: Writer) -> None:
    years = page_days.years(source.survey)
    links = [(paths.year_page(each), str(each)) for each in years]
    for year in years:
        months = page_days.year_of(year, source.survey.days)

        def make(year: int = year, months: Sequence[page_days.Month] = months) -> bytes:
            return _year_html(source, year, months, links)

        writer.put(paths.year_page(year), source.key(months, links), make)


def _write_newest(source: PageSource, writer: Writer) -> None:
    """The pages of what is newest: the first page, what was held back, the feed."""
    dates, place = source.survey.dates(), source.policy.place
    index = _index(source)
    recent = dates[: -HELD_DAYS - 1 : -1]
    days = [
        page_days.held_day(day, source.entries(day), source.database.held_on(day), place.zone)
        for day in recent
    ]
    days = [day for day in days if day.cards or day.gate]
    writer.put(paths.HELD_BACK, source.key(days), lambda: _held_html(source, days))
    newest, base_url = _newest(source, dates), source.shared.base_url
    writer.put(
        paths.FEED, source.key(newest), lambda: feed(newest, place.name, place.zone, base_url, source.now)
    )
    writer.put(paths.INDEX, source.key(index), lambda: _index_html(source, index))


def _index(source: PageSource) -> page_days.IndexView:
    dates, place = source.survey.dates(), source.policy.place
    latest = source.entries(dates[-1]) if dates else []
    lead = ""
    if dates:
        counted = [entry for entry in latest if entry.counted]
        lead = page_day.lead(counted, page_day.DayFacts(dates[-1]), source.policy)
    return page_days.index_view(source.survey, latest, lead, place.name, place.zone)


def index_html(source: PageSource, forms: render.Forms) -> bytes:
    """The first page as it is served: it can be muted on it."""
    return _index_html(source, _index(source), forms)


def _newest(source: PageSource, dates: Sequence[date]) -> list[Entry]:
    """The newest visits that count, newest first, as many as the feed has."""
    found: list[Entry] = []
    for day in reversed(dates):
        found += [entry for entry in reversed(source.entries(day)) if entry.counted]
        if len(found) >= MOST_ENTRIES:
            break
    return found[:MOST_ENTRIES]


def day_html(source: PageSource, day: date | None, forms: render.Forms | None = None) -> bytes:
    """The page of one date; with `forms`, marks can be made on it."""
    view = page_day.day_view(source.entries(day), source.facts(day), source.policy)
    return render.page(
        "day.html", paths.day_page(day), view, source.shared,
        title=view.title, description=page_day.description(view), forms=forms,
    )  # fmt: skip


def _year_html(
    source: PageSource, year: int, months: Sequence[page_days.Month], links: Sequence[tuple[str, str]]
) -> bytes:
    visits = sum(each.visits for day, each in source.survey.days.items() if day and day.year == year)
    lead = f"{many(visits, 'visit').capitalize()} in {year}. The stronger the colour of a day, the more came."
    view = {"heading": f"Days of {year}", "lead": lead, "months": months, "years": links, "picture": None}
    return render.page(
        "calendar.html", paths.year_page(year), view, source.shared,
        title=f"Days of {year} at {source.shared.place}", description=lead,
    )  # fmt: skip


def _index_html(source: PageSource, view: page_days.IndexView, forms: render.Forms | None = None) -> bytes:
    lead = f"{view.latest}: {view.latest_lead}" if view.latest else "Nobody has come yet."
    return render.page(
        "index.html", paths.INDEX, view, source.shared, title=view.title, description=lead, forms=forms
    )


def _held_html(source: PageSource, days: Sequence[page_days.HeldDay]) -> bytes:
    lead = (
        f"What was stored and not sent at once, and why, on the newest {HELD_DAYS} days with a visit."
        if days
        else "Nothing was held back lately: every visit was sent at once."
    )
    return render.page(
        "held-back.html", paths.HELD_BACK, {"days": days, "lead": lead, "picture": None}, source.shared,
        title=f"Held back at {source.shared.place}", description=lead,
    )  # fmt: skip


def _about(source: PageSource) -> bytes:
    return render.page(
        "about.html", paths.ABOUT, {"picture": None}, source.shared,
        title=f"How to read the journal of {source.shared.place}",
        description="What the journal's words and numbers mean, and what they do not.",
    )  # fmt: skip
