"""What a rehearsal comes to. Plain data that goes from one process to another."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dooryard.core.records import Decision, Moment, Visit
from dooryard.policy.schema import Policy


@dataclass(frozen=True, slots=True)
class RehearsedVisit:
    """A visit as it ended, and what was decided on it."""

    visit: Visit  # its best picture is left out: see `jpeg`
    decision: Decision
    decided: Moment
    jpeg: bytes | None = None  # the best picture, small; only where pictures were asked for
    still: tuple[datetime, str] | None = None  # when it was sent again as still here, and in what words

    @property
    def end(self) -> datetime:
        return (self.visit.end or self.visit.last_seen).wall


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """One policy on one recording."""

    recording: str
    policy_file: str
    policy: Policy
    first: datetime | None  # of the frames; None: there were none
    last: datetime | None
    frames: int
    looks: int
    nobody: int  # visits that came to nothing
    seen: tuple[RehearsedVisit, ...]  # in the order of their beginning
    rests: tuple[tuple[datetime, datetime], ...] = ()  # the camera was off
    heat: tuple[tuple[datetime, str], ...] = ()  # what was said of heat, power and moisture, and when
    absences: tuple[tuple[datetime, str], ...] = ()  # what was told of nobody having come, and when
    notes: tuple[str, ...] = ()  # what a reader should know of the recording
