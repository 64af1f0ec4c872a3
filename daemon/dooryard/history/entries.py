"""A visit as the journal sees it: what the box said of it, and what people said afterwards. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from dooryard.core.records import Box, Clause, Outcome, Visitor


class Kind(StrEnum):
    """What a mark says; the values stand in the annotation database."""

    NOBODY = "nobody"
    NAME = "name"
    KEEP = "keep"
    HIDE = "hide"


VERDICTS = frozenset({Kind.NOBODY, Kind.NAME})


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing that a person said of one visit."""

    seq: int
    visit: str
    kind: Kind
    wall: datetime
    visitor: Visitor | None = None  # for Kind.NAME; its `sure` is 1


@dataclass(frozen=True, slots=True)
class Said:
    """What all marks on a visit come to: the newest verdict, and whether it is kept or hidden."""

    nobody: bool = False
    visitor: Visitor | None = None
    keep: bool = False
    hide: bool = False
    wall: datetime | None = None  # of the newest mark


NOTHING_SAID = Said()


def said(marks: Sequence[Mark]) -> Said:
    """Sum up `marks` of one visit, in order of marking."""
    verdict = next((mark for mark in reversed(marks) if mark.kind in VERDICTS), None)
    kinds = {mark.kind for mark in marks}
    return Said(
        nobody=verdict is not None and verdict.kind is Kind.NOBODY,
        visitor=verdict.visitor if verdict else None,
        keep=Kind.KEEP in kinds,
        hide=Kind.HIDE in kinds,
        wall=marks[-1].wall if marks else None,
    )


@dataclass(frozen=True, slots=True)
class Entry:
    """One visit. Times are aware and in UTC; `picture` is relative to the store's picture folder."""

    id: str
    start: datetime
    last_seen: datetime
    ended: bool
    stay_s: float
    clock_set: bool
    told: Visitor  # what the box said
    sightings: int
    box: Box
    picture: str | None
    outcome: Outcome
    said: Said = NOTHING_SAID
    sinks: tuple[str, ...] = ()
    rule: str | None = None
    clauses: tuple[Clause, ...] = ()
    told_as: Visitor | None = None  # what the box said when it was told; `told` is what it said at the end

    @property
    def visitor(self) -> Visitor:
        """Who it was, as far as is known: a person's correction replaces the box's answer."""
        return self.said.visitor or self.told

    @property
    def counted(self) -> bool:
        """Whether it counts as a visit: nobody said that nobody was there, or that it is to be hidden."""
        return not self.said.nobody and not self.said.hide

    @property
    def worth(self) -> tuple[bool, float, float]:
        """Orders pictures, best last: kept ones, then by certainty, then by size in the picture."""
        return self.said.keep, self.visitor.sure, self.box.area

    def day(self, zone: ZoneInfo) -> date | None:
        """The local date of its arrival; None while the clock was not set."""
        return self.start.astimezone(zone).date() if self.clock_set else None


def why_not_told(entry: Entry) -> str:
    """Why it was not told at once: the clause that decided it, in its own words."""
    failed = [clause for clause in entry.clauses if not clause.passed and clause.name != "visitor"]
    return failed[-1].text if failed else "no rule matches this visitor"
