"""That nobody came, by the owner's words. Part of the second reading; it drives no engine by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any, Literal

from dooryard.core.records import Moment, Visitor
from dooryard.policy.schema import WEEK, Place, Rule
from dooryard.policy.times import TimeOfDay, parse_time
from reading.dates import Dates, any_holds, ranges
from reading.simple import certainties
from reading.windows import instant

HOUR_S = 3600.0
COUNTED_S = 60.0  # "counted by the minute"
WATCHED_S = HOUR_S  # "watched for at least an hour"


@dataclass(frozen=True, slots=True)
class Message:
    """That nobody came, or that somebody did after all."""

    absence: str
    kind: Literal["nobody", "over"]
    who: str | None = None


@dataclass(slots=True)
class Absence:
    """One `[[absence]]`. `watch` and `came` are called as things happen, `moment` now and then."""

    table: Mapping[str, Any]
    place: Place
    group_of: Mapping[str, str]
    watched: list[tuple[Moment, Moment]] = field(
        default_factory=list
    )  # stretches with frames, within watch hours
    dated: list[tuple[Moment, Moment]] = field(default_factory=list)  # those of known dates
    came_last: Moment | None = None
    came_on: set[date] = field(default_factory=set)
    looked_at: set[date] = field(default_factory=set)
    told: bool = False
    too_near: bool = False  # an hour was watched or not, by less than it is counted by

    def watch(self, since: Moment, until: Moment, *, clock_set: bool = True) -> None:
        if clock_set:
            self.dated.append((since, until))
        if self.watched and self.watched[-1][1].mono_s == since.mono_s:
            since, _ = self.watched.pop()
        self.watched.append((since, until))

    def came(self, visitor: Visitor, now: Moment, *, clock_set: bool) -> list[Message]:
        """A visit counts as seen."""
        rule = Rule(name="as a rule", visitor=tuple(self.table.get("visitor", ["anything"])))
        sure = self.table.get("sure", 0.5)
        if "by" in self.table and not clock_set:
            return []  # of which day, nobody knows
        if not any(each >= sure for each in certainties(rule, visitor, self.group_of)):
            return []
        self.came_last = now
        if clock_set:
            self.came_on.add(self._date(now))
        if not self.told:
            return []
        self.told = False
        when_over = self.table.get("when_over", True)
        return [Message(self.table["name"], "over", visitor.key)] if when_over else []

    def moment(self, now: Moment, *, clock_set: bool) -> list[Message]:
        told = self._nobody_by(now, clock_set) if "by" in self.table else self._nobody_after(now, clock_set)
        if not told or self.told:
            return []
        self.told = True
        return [Message(self.table["name"], "nobody")]

    def _nobody_by(self, now: Moment, clock_set: bool) -> bool:
        """A date is looked at once, at the first moment of it from that time on."""
        if not clock_set:
            return False
        on, by = self._date(now), instant(self._by, self.place, self._date(now))
        days = self.table.get("days", WEEK)
        if now.wall < by or on in self.looked_at or WEEK[on.weekday()] not in days or not self._dated(on):
            return False
        self.looked_at.add(on)
        midnight = datetime.combine(on, time(), self.place.zone)
        since_s = now.mono_s - (now.wall - midnight).total_seconds()
        until_s = now.mono_s - (now.wall - by).total_seconds()
        watched_s = _within_s(self.dated, since_s, until_s)
        self.too_near |= abs(watched_s - WATCHED_S) <= COUNTED_S
        return watched_s >= WATCHED_S and on not in self.came_on

    def _nobody_after(self, now: Moment, clock_set: bool) -> bool:
        if self.table.get("dates") and not (clock_set and self._dated(self._date(now))):
            return False  # while the clock is not set, no date is known
        since_s = float("-inf") if self.came_last is None else self.came_last.mono_s
        return _within_s(self.watched, since_s, now.mono_s) >= float(self.table["after_h"]) * HOUR_S

    def _dated(self, on: date) -> bool:
        dates: tuple[Dates, ...] = ranges(self.table.get("dates", ()))
        return not dates or any_holds(dates, on)

    def _date(self, now: Moment) -> date:
        return now.wall.astimezone(self.place.zone).date()

    @property
    def _by(self) -> TimeOfDay:
        return parse_time(self.table["by"])


def _within_s(stretches: Sequence[tuple[Moment, Moment]], since_s: float, until_s: float) -> float:
    """How much of the stretches lies between two monotonic times."""
    return sum(
        max(0.0, min(until.mono_s, until_s) - max(since.mono_s, since_s)) for since, until in stretches
    )


MOST_MUTED = timedelta(days=31)


def muted_until(text: str, now: datetime, place: Place) -> datetime:
    """Until when `dooryard mute --until TEXT` holds. ValueError where it is none, or more than 31 days."""
    local = now.astimezone(place.zone)
    if text == "tomorrow":
        until = instant(TimeOfDay(6 * 60), place, local.date() + timedelta(days=1))
    elif ":" in text:
        days = [local.date() + timedelta(days=k) for k in range(2)]
        until = min(at for day in days if (at := instant(parse_time(text), place, day)) > now)
    elif "-" in text:
        until = instant(TimeOfDay(0), place, date.fromisoformat(text))  # the day on which it is over
    elif text.endswith("min"):
        until = now + timedelta(minutes=float(text.removesuffix("min")))
    else:
        until = now + timedelta(hours=float(text.removesuffix("h")))
    if not now < until <= now + MOST_MUTED:
        raise ValueError("not within 31 days")
    return until
