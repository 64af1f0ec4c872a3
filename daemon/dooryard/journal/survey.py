"""One pass over all visits: what the calendar and the visitors' pages need, and what has changed. Pure.

Memory grows with days and with kinds of visitor, not with visits.
"""

from __future__ import annotations

import hashlib
import heapq
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from dooryard.core.records import Outcome, Visitor
from dooryard.history.entries import Entry
from dooryard.journal.counts import HOURS
from dooryard.journal.tally import AccuracyTally, was_right

MOST_BEST = 12  # pictures on a visitor's page
Week = tuple[int, int]  # ISO year and week


@dataclass(slots=True)
class Digest:
    """A fingerprint that grows: the same things in the same order give the same text."""

    _hash: hashlib.blake2b = field(default_factory=lambda: hashlib.blake2b(digest_size=16))

    def add(self, *things: object) -> None:
        self._hash.update(repr(things).encode())

    def text(self) -> str:
        return self._hash.hexdigest()


@dataclass(slots=True)
class DaySum:
    """One local date."""

    visits: int = 0
    told: int = 0
    nobody: int = 0
    hidden: int = 0
    visitors: Counter[str] = field(default_factory=Counter)  # Visitor.key -> visits
    best: tuple[tuple[bool, float, float], Entry] | None = None
    digest: Digest = field(default_factory=Digest)


@dataclass(slots=True)
class VisitorSum:
    """One visitor, by `Visitor.key`."""

    visitor: Visitor
    visits: int = 0
    first: datetime | None = None  # None: seen only while the clock was not set
    last: datetime | None = None
    hours: list[int] = field(default_factory=lambda: [0] * HOURS)  # local hour -> visits
    weeks: Counter[Week] = field(default_factory=Counter)
    days: set[date] = field(default_factory=set)
    best: list[tuple[tuple[bool, float, float], str, Entry]] = field(default_factory=list)  # a heap

    def pictures(self) -> list[Entry]:
        """Entries with the best pictures, best first."""
        return [entry for _, _, entry in sorted(self.best, reverse=True)]


@dataclass(slots=True)
class Survey:
    """What one pass found. `days` has None for visits while the clock was not set."""

    days: dict[date | None, DaySum] = field(default_factory=dict)
    visitors: dict[str, VisitorSum] = field(default_factory=dict)
    right: int = 0
    wrong: int = 0
    undecided: int = 0

    @property
    def tally(self) -> AccuracyTally:
        return AccuracyTally(self.right, self.wrong, self.undecided)

    def dates(self) -> list[date]:
        """Dates with an entry, oldest first."""
        return sorted(day for day in self.days if day is not None)


def survey(entries: Iterable[Entry], zone: ZoneInfo, whole_days_before: date) -> Survey:
    """Take in `entries`, oldest first.

    Hours and weeks count only dates before `whole_days_before`, the date that is not over yet: else
    each visit would change the rates of all visitors.
    """
    found = Survey()
    for entry in entries:
        day = entry.day(zone)
        _add_to_day(found.days.setdefault(day, DaySum()), entry)
        _judge(found, entry)
        if entry.counted:
            new = VisitorSum(entry.visitor)
            visitor = found.visitors.setdefault(entry.visitor.key, new)
            _add_to_visitor(visitor, entry, zone, day, whole=day is not None and day < whole_days_before)
    return found


def _add_to_day(day: DaySum, entry: Entry) -> None:
    day.digest.add(
        entry.id, entry.start, entry.last_seen, entry.ended, entry.told, entry.picture, entry.outcome,
        entry.said, entry.clock_set,
    )  # fmt: skip
    if entry.said.hide:
        day.hidden += 1
        return
    if entry.said.nobody:
        day.nobody += 1
        return
    day.visits += 1
    day.told += entry.outcome is Outcome.TELL
    day.visitors[entry.visitor.key] += 1
    if entry.picture and (day.best is None or entry.worth > day.best[0]):
        day.best = (entry.worth, entry)


def _add_to_visitor(
    visitor: VisitorSum, entry: Entry, zone: ZoneInfo, day: date | None, *, whole: bool
) -> None:
    visitor.visits += 1
    if visitor.visitor.scientific is None and entry.visitor.scientific:
        visitor.visitor = entry.visitor
    if day is not None:
        visitor.first = min(visitor.first or entry.start, entry.start)
        visitor.last = max(visitor.last or entry.start, entry.start)
        visitor.days.add(day)
    if day is not None and whole:
        visitor.hours[entry.start.astimezone(zone).hour] += 1
        iso = day.isocalendar()
        visitor.weeks[iso.year, iso.week] += 1
    if entry.picture:
        item = (entry.worth, entry.id, entry)
        if len(visitor.best) < MOST_BEST:
            heapq.heappush(visitor.best, item)
        else:
            heapq.heappushpop(visitor.best, item)


def _judge(found: Survey, entry: Entry) -> None:
    if not entry.said.nobody and entry.said.visitor is None:
        return
    answer = was_right(entry)
    found.right += answer is True
    found.wrong += answer is False
    found.undecided += answer is None
