"""What the pipeline wants done. Plain data; `run` does it."""

from __future__ import annotations

from dataclasses import dataclass

from dooryard.core.records import Absent, Box, Decision, Frame, Visit


@dataclass(frozen=True, slots=True, eq=False)
class ClassifyRequest:
    """Classify these boxes of this frame, and hand the sightings to `pipeline.looked`."""

    frame: Frame
    boxes: tuple[Box, ...]


@dataclass(frozen=True, slots=True, eq=False)
class BackgroundSample:
    """Classify this box, where nobody is, and hand the sighting to `pipeline.sampled`."""

    frame: Frame
    box: Box


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """Store this visit with its decision; if it is to be told, its alert with it."""

    visit: Visit
    decision: Decision


@dataclass(frozen=True, slots=True, eq=False)
class Update:
    """A recorded visit is over: store its end, its final name and its best picture."""

    visit: Visit
    decision: Decision


@dataclass(frozen=True, slots=True, eq=False)
class StillHere:
    """A visit that was told, by this decision, lasts so long that its rule asks for one more message."""

    visit: Visit
    decision: Decision


@dataclass(frozen=True, slots=True, eq=False)
class Nobody:
    """What looked like a visit is none; `why` says in words what it was."""

    visit: Visit
    why: str = "it came to nothing"


@dataclass(frozen=True, slots=True)
class Rest:
    """Close the camera until the watch hours begin, or open it again."""

    resting: bool


Effect = (
    ClassifyRequest | BackgroundSample | Record | Update | StillHere | Nobody | Rest | Absent
)  # the last: nobody came; tell it
