"""What stands on the first page, the calendars and the page of what was held back. Pure."""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from dooryard.core.records import Outcome
from dooryard.core.wording import percent
from dooryard.history.entries import Entry
from dooryard.journal import paths
from dooryard.journal.cards import VisitCard, card
from dooryard.journal.phrases import clock, long_date, many, share, short_date, title_of
from dooryard.journal.survey import DaySum, Survey
from dooryard.journal.tally import AccuracyTally

_MOST_BEST = 6  # pictures of the newest day
_MANY = 4  # visits a day from which the calendar's colour is full, at the least


@dataclass(frozen=True, slots=True)
class Cell:
    """A date in a calendar; `href` None: nothing is written of it."""

    number: int
    href: str | None
    visits: int
    level: int  # 0..4


@dataclass(frozen=True, slots=True)
class Month:
    """Weeks from Monday; None fills up the first and last."""

    name: str
    weeks: tuple[tuple[Cell | None, ...], ...]


@dataclass(frozen=True, slots=True)
class Regular:
    """A visitor's line on the first page."""

    title: str
    scientific: str | None
    href: str
    visits: int
    last: str
    small: str | None
    alt: str


@dataclass(frozen=True, slots=True)
class IndexView:
    """The first page. Links are relative to the journal's folder."""

    title: str
    latest: str | None  # the newest date with an entry, in words
    latest_href: str | None
    latest_lead: str
    cards: tuple[VisitCard, ...]  # the newest day's best
    regulars: tuple[Regular, ...]
    month: Month | None
    years: tuple[tuple[str, str], ...]
    undated: str | None
    tally: str
    picture: str | None


def index_view(survey: Survey, latest: Sequence[Entry], lead: str, place: str, zone: ZoneInfo) -> IndexView:
    """`latest` are the entries of the newest date, `lead` that day in a sentence."""
    dates = survey.dates()
    newest = dates[-1] if dates else None
    pictured = [entry for entry in latest if entry.counted and entry.picture]
    best = sorted(pictured, key=lambda entry: entry.worth, reverse=True)[:_MOST_BEST]
    return IndexView(
        title=f"The journal of {place}",
        latest=long_date(newest) if newest else None,
        latest_href=paths.day_page(newest) if newest else None,
        latest_lead=lead,
        cards=tuple(card(entry, zone) for entry in sorted(best, key=lambda entry: entry.start)),
        regulars=tuple(regulars(survey, zone)),
        month=month_of(newest.year, newest.month, survey.days) if newest else None,
        years=tuple((paths.year_page(year), str(year)) for year in years(survey)),
        undated=paths.day_page(None) if None in survey.days else None,
        tally=tally_text(survey.tally),
        picture=paths.large_picture(best[0], zone) if best else None,
    )


def years(survey: Survey) -> list[int]:
    """Years with an entry, newest first."""
    return sorted({day.year for day in survey.dates()}, reverse=True)


def regulars(survey: Survey, zone: ZoneInfo) -> list[Regular]:
    """All visitors, the most frequent first."""
    lines = []
    for key, visitor in sorted(survey.visitors.items(), key=lambda item: (-item[1].visits, item[0])):
        best = next(iter(visitor.pictures()), None)
        last = visitor.last
        lines.append(
            Regular(
                title=title_of(visitor.visitor),
                scientific=visitor.visitor.scientific if visitor.visitor.species else None,
                href=paths.visitor_page(key),
                visits=visitor.visits,
                last=f"{short_date(last.astimezone(zone).date())}, {clock(last, zone)}"
                if last
                else "not known",
                small=paths.small_picture(best, zone) if best else None,
                alt="",  # the name stands beside it
            )
        )
    return lines


def tally_text(tally: AccuracyTally) -> str:
    """How often the box was right, said with its limits and its bias."""
    if tally.judged == 0:
        return (
            "No visit is marked yet, so it is not known how often the box is right. "
            "Marks correct it and teach it."
        )
    low, high = tally.limits
    open_text = ""
    if tally.undecided:
        open_text = f" {many(tally.undecided, 'more mark')} could not be judged either way."
    return (
        f"Of {many(tally.judged, 'visit')} that people marked, the box was right about {tally.right} "
        f"({percent(tally.right / tally.judged)}; 95 % limits by Wilson's formula: {share(low, high)})."
        f"{open_text} People mark mistakes more readily than what is as it should be, so this doesn't "
        f"estimate accuracy overall."
    )


def month_of(year: int, month: int, days: Mapping[date | None, DaySum]) -> Month:
    """A month as weeks of cells."""
    full = max([_MANY, *(each.visits for day, each in days.items() if day and day.year == year)])
    weeks = tuple(
        tuple(_cell(day, days.get(day), full) if day.month == month else None for day in week)
        for week in calendar.Calendar().monthdatescalendar(year, month)
    )
    return Month(f"{calendar.month_name[month]} {year}", weeks)


def year_of(year: int, days: Mapping[date | None, DaySum]) -> list[Month]:
    """The months of `year` that have an entry, newest first."""
    months = sorted({day.month for day in days if day and day.year == year}, reverse=True)
    return [month_of(year, month, days) for month in months]


def _cell(day: date, found: DaySum | None, full: int) -> Cell:
    if found is None:
        return Cell(day.day, None, 0, 0)
    level = -(-4 * found.visits // full) if found.visits else 0
    return Cell(day.day, paths.day_page(day), found.visits, level)


@dataclass(frozen=True, slots=True)
class HeldDay:
    """What was held back on one date."""

    heading: str
    href: str
    cards: tuple[VisitCard, ...]
    gate: tuple[tuple[str, int], ...]


def held_day(day: date, entries: Sequence[Entry], gate: Sequence[tuple[str, int]], zone: ZoneInfo) -> HeldDay:
    """Visits of `day` that were stored and not told at once, or at which nobody was there."""
    cards = [
        card(entry, zone)
        for entry in entries
        if not entry.said.hide and (entry.outcome is not Outcome.TELL or entry.said.nobody)
    ]
    return HeldDay(long_date(day), paths.day_page(day), tuple(cards), tuple(gate))
