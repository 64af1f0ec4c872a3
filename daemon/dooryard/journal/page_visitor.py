"""What stands on a visitor's page. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from dooryard.journal import paths
from dooryard.journal.cards import VisitCard, card
from dooryard.journal.charts import Chart, Datum, bars
from dooryard.journal.counts import HOURS, rate_per_h
from dooryard.journal.phrases import clock, many, rate, short_date, title_of
from dooryard.journal.survey import VisitorSum, Week

_MOST_WEEKS = 53
_MOST_DAYS = 30


@dataclass(frozen=True, slots=True)
class Effort:
    """Seconds of watching, over dates that are over: by local hour, and by ISO week."""

    by_hour_s: Sequence[float]
    by_week_s: dict[Week, float]
    dates: int
    first: date | None


@dataclass(frozen=True, slots=True)
class VisitorView:
    """The page. Links are relative to the journal's folder."""

    title: str
    heading: str
    scientific: str | None
    lead: str
    facts: tuple[tuple[str, str], ...]
    charts: tuple[Chart, ...]
    cards: tuple[VisitCard, ...]
    days: tuple[tuple[str, str], ...]  # newest first
    more_days: int
    picture: str | None


def visitor_view(visitor: VisitorSum, effort: Effort, zone: ZoneInfo, place: str) -> VisitorView:
    best = visitor.pictures()
    name = title_of(visitor.visitor)
    days = sorted(visitor.days, reverse=True)
    return VisitorView(
        title=f"{name} at {place}",
        heading=name,
        scientific=visitor.visitor.scientific if visitor.visitor.species else None,
        lead=_lead(visitor, zone),
        facts=tuple(_facts(visitor, effort, zone)),
        charts=(hour_chart(visitor, effort), week_chart(visitor, effort)),
        cards=tuple(card(entry, zone) for entry in best),
        days=tuple((paths.day_page(day), short_date(day)) for day in days[:_MOST_DAYS]),
        more_days=max(0, len(days) - _MOST_DAYS),
        picture=paths.large_picture(best[0], zone) if best else None,
    )


def _lead(visitor: VisitorSum, zone: ZoneInfo) -> str:
    if visitor.first is None or visitor.last is None:
        return f"Seen in {many(visitor.visits, 'visit')} while the clock was not set."
    count = f"{many(visitor.visits, 'visit')} on {many(len(visitor.days), 'day')}"
    last = f"{short_date(visitor.last.astimezone(zone).date())} at {clock(visitor.last, zone)}"
    return f"Seen in {count}, the last time on {last}."


def _facts(visitor: VisitorSum, effort: Effort, zone: ZoneInfo) -> list[tuple[str, str]]:
    found = []
    for name, when in (("First seen", visitor.first), ("Last seen", visitor.last)):
        if when is not None:
            found.append((name, f"{short_date(when.astimezone(zone).date())}, {clock(when, zone)}"))
    found.append(("Visits", str(visitor.visits)))
    watched_s = sum(effort.by_hour_s)
    if watched_s > 0:
        per_h = rate_per_h(sum(visitor.hours), watched_s)
        found.append(("Visits an hour of watching, to the end of yesterday", rate(per_h, watched_s)))
    return found


def hour_chart(visitor: VisitorSum, effort: Effort) -> Chart:
    """Visits per hour of watching by the hour of the local clock."""
    data = []
    for hour in range(HOURS):
        label = str(hour) if hour % 3 == 0 else ""
        data.append(_datum(visitor.hours[hour], effort.by_hour_s[hour], f"{hour}:00 to {hour + 1}:00", label))
    busiest = _highest(data)
    summary = (
        f"Most often from {busiest.name}." if busiest else "There is nothing to show until a day is over."
    )
    return bars("By hour of day", summary, "visits an hour of watching", data, _HEADS[0])


def week_chart(visitor: VisitorSum, effort: Effort) -> Chart:
    """Visits per hour of watching by week, the last year of weeks at most, empty weeks among them."""
    weeks = sorted(effort.by_week_s)[-_MOST_WEEKS:]
    step = max(1, -(-len(weeks) // 8))
    data = [
        _datum(
            visitor.weeks.get(week, 0), effort.by_week_s[week], f"week {week[1]} of {week[0]}",
            f"w{week[1]}" if index % step == 0 else "",
        )
        for index, week in enumerate(weeks)
    ]  # fmt: skip
    busiest = _highest(data)
    summary = f"Most often in {busiest.name}." if busiest else "There is nothing to show until a day is over."
    return bars("By week", summary, "visits an hour of watching", data, _HEADS[1])


_HEADS = (("Hour", "Visits", "Watched", "An hour"), ("Week", "Visits", "Watched", "An hour"))


def _datum(visits: int, watched_s: float, name: str, label: str) -> Datum:
    per_h = rate_per_h(visits, watched_s)
    text = rate(per_h, watched_s, " visits an hour") + (f", {many(visits, 'visit')}" if watched_s else "")
    return Datum(per_h, name, label, text, (str(visits), f"{watched_s / 3600:.1f} h", rate(per_h, watched_s)))


def _highest(data: Sequence[Datum]) -> Datum | None:
    found = max(data, key=lambda datum: datum.value or 0.0, default=None)
    return found if found and found.value else None
