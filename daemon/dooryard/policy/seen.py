"""Who was seen here, on which days and how certainly, and which visits are over of the last hour. Pure.

Of each visitor no more is kept than tells when one was last seen that was at least so certain: days, the
newest last, each more certain than all after it. That is a handful for each, however long the box watches.

Visits that are over are counted by monotonic time, so a step of the wall clock changes nothing. The time
without the machine counts in their ages as it does in those of alerts; see `state`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from dooryard.core.records import Visit, Visitor

HOUR_S = 3600.0

Days = tuple[tuple[str, float], ...]  # (local date, how certain): dates rise, certainty falls


@dataclass(frozen=True, slots=True)
class Over:
    """A visit that is over."""

    visit: str
    start_s: float  # monotonic
    visitor: Visitor


@dataclass(frozen=True, slots=True)
class Seen:
    """Who was seen."""

    days: Mapping[str, Days] = field(default_factory=dict)  # by Visitor.key
    over: tuple[Over, ...] = ()  # those that began within the last hour, in the order of their ends

    def last_day(self, key: str, sure: float) -> date | None:
        """The last local date on which visitor `key` was seen at least so certainly; None: never."""
        for day, known in reversed(self.days.get(key, ())):
            if known >= sure:
                return date.fromisoformat(day)
        return None

    def seeing(self, visitor: Visitor, day: str) -> Seen:
        """After `visitor` was seen on the local date `day`; "", while the clock is not set, dates nothing."""
        before = self.days.get(visitor.key, ())
        if not day or any(other >= day and sure >= visitor.sure for other, sure in before):
            return self
        kept = [each for each in before if each[0] > day or each[1] > visitor.sure]
        return replace(self, days={**self.days, visitor.key: tuple(sorted([*kept, (day, visitor.sure)]))})

    def ending(self, visits: Iterable[Visit], now_s: float) -> Seen:
        """After `visits` ended; those that began more than an hour ago are let go."""
        more = tuple(Over(visit.id, visit.start.mono_s, visit.visitor) for visit in visits)
        if not more:
            return self
        return replace(
            self, over=tuple(each for each in (*self.over, *more) if now_s - each.start_s < HOUR_S)
        )

    def aged(self, off_s: float, until_s: float) -> Seen:
        """With `off_s` counted in the ages of visits that began before `until_s`."""
        return replace(
            self,
            over=tuple(
                replace(each, start_s=each.start_s - off_s) if each.start_s <= until_s else each
                for each in self.over
            ),
        )

    def data(self, now_s: float) -> dict[str, object]:
        """What is saved, as plain data."""
        return {
            "seen": {key: [list(each) for each in days] for key, days in self.days.items()},
            "over": [
                {
                    "visit": each.visit,
                    "ago_s": now_s - each.start_s,
                    "group": each.visitor.group,
                    "species": each.visitor.species,
                    "scientific": each.visitor.scientific,
                    "sure": each.visitor.sure,
                }
                for each in self.over
                if now_s - each.start_s < HOUR_S
            ],
        }

    @classmethod
    def from_data(cls, data: Mapping[str, object], since_s: float) -> Seen:
        """What `data` gave; ages count back from `since_s`. What an earlier version did not keep is empty.

        Raises KeyError, TypeError, ValueError or AttributeError for anything else.
        """
        days, over = data.get("seen", {}), data.get("over", [])
        if not isinstance(days, dict) or not isinstance(over, list):
            raise ValueError("seen or over is not what it should be")  # noqa: TRY004  taken for damage like the rest
        return cls({str(key): _days(each) for key, each in days.items()}, tuple(_over(over, since_s)))


def _days(items: Iterable[tuple[object, object]]) -> Days:
    found = tuple(sorted((date.fromisoformat(str(day)).isoformat(), _number(sure)) for day, sure in items))
    if any(later[0] == earlier[0] or later[1] >= earlier[1] for earlier, later in itertools.pairwise(found)):
        raise ValueError("days of seen do not fall in certainty")
    return found


def _over(items: Iterable[dict[str, object]], since_s: float) -> Iterable[Over]:
    for item in items:
        visit, group, species, latin = (item[key] for key in ("visit", "group", "species", "scientific"))
        if not isinstance(visit, str) or not isinstance(group, str):
            raise ValueError("visit and group are text")  # noqa: TRY004  taken for damage like the rest
        if not all(name is None or isinstance(name, str) for name in (species, latin)):
            raise ValueError("species and scientific are text or none")
        visitor = Visitor(
            group,
            _number(item["sure"]),
            None if species is None else str(species),
            None if latin is None else str(latin),
        )
        yield Over(visit, since_s - max(0.0, _number(item["ago_s"])), visitor)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("not a finite number")
    return float(value)
