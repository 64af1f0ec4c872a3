"""What flows through the rooms: plain, immutable records.

Boxes are relative to the picture (0..1), so that the same box fits the small luma and the large
picture. Wall times are aware and in UTC; monotonic times are seconds as floats.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from datetime import datetime

Luma = NDArray[np.uint8]  # (H, W)
Rgb = NDArray[np.uint8]  # (H, W, 3)
Features = NDArray[np.float32]  # (D,)

SOMETHING = "something"  # the group of a visitor that the gate saw and no classifier looked at


class Moment(NamedTuple):
    """Both clocks, read together."""

    wall: datetime  # aware, UTC
    mono_s: float


class Box(NamedTuple):
    """A rectangle in relative coordinates: 0 <= x0 < x1 <= 1, y downwards."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def centre(self) -> tuple[float, float]:
        return (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2

    @property
    def area(self) -> float:
        return max(0.0, self.x1 - self.x0) * max(0.0, self.y1 - self.y0)

    def overlap(self, other: Box) -> float:
        """Area shared with `other`."""
        shared = Box(
            max(self.x0, other.x0), max(self.y0, other.y0), min(self.x1, other.x1), min(self.y1, other.y1)
        )
        return shared.area if shared.x0 < shared.x1 and shared.y0 < shared.y1 else 0.0

    def joined(self, other: Box) -> Box:
        """The smallest box around both."""
        return Box(
            min(self.x0, other.x0), min(self.y0, other.y0), max(self.x1, other.x1), max(self.y1, other.y1)
        )


@dataclass(frozen=True, slots=True)
class Exposure:
    """How the sensor took the frame; None where the camera does not say."""

    exposure_s: float | None = None
    gain: float | None = None  # total gain, 1.0 = base sensitivity


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One frame from a camera.

    `luma` is small and always there; `large` fetches the large picture and may be called only until
    the next frame is read.
    """

    number: int
    wall: datetime
    mono_s: float
    luma: Luma
    large: Callable[[], Rgb]
    exposure: Exposure = field(default_factory=Exposure)
    part: Box | None = None  # what it shows of the camera's whole upright view; None: all, or not known


class RejectReason(StrEnum):
    """Why the gate held something back; the value is what a person reads."""

    SWAY = "sway"
    LIGHT = "change of light"
    RAIN = "rain"
    SMALL = "too small"
    BRIEF = "too brief"
    IGNORED = "ignored area"
    LEARNING = "still learning the view"
    WEAK = "too weak for this place"


@dataclass(frozen=True, slots=True)
class Motion:
    """Something that moved, or that stands where nothing stood before."""

    box: Box
    score: float  # 1.0 = just enough to be looked at
    reject_reason: RejectReason | None = None  # None: worth a look


@dataclass(frozen=True, slots=True)
class Naming:
    """One name with its probability. Species are children of groups."""

    group: str  # "bird", "squirrel", "cat", ... ; "nobody"
    probability: float
    species: str | None = None  # common name, lower case: "house finch"
    scientific: str | None = None  # "Haemorhous mexicanus", where the class is one species


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """The large picture that a sighting was cropped from."""

    frame: int
    wall: datetime
    pixels: Rgb
    box: Box


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """One classified crop."""

    frame: int
    wall: datetime
    mono_s: float
    box: Box
    groups: Mapping[str, float]  # group -> probability; what is missing to 1 is "nobody"
    species: tuple[Naming, ...]  # best first, only those that this model may tell
    sharpness: float  # variance of the Laplacian of the crop's green, grey levels squared
    picture: Picture
    features: Features | None = None
    classified: bool = True  # False: no classifier looked, the gate alone saw it
    unlisted: tuple[Naming, ...] = ()  # species that may not be told here; they speak against the others

    @property
    def somebody(self) -> float:
        """The probability that there is somebody at all, 0..1; an even chance where nobody looked."""
        return min(1.0, sum(self.groups.values())) if self.classified else 0.5


class NegativeSample(NamedTuple):
    """A look at nobody: what this place looks like when it is empty."""

    box: Box
    features: Features
    mark: int = 0  # the number of the owner's mark that says so; 0: nobody said it


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who a visit is put down to. `name` is what is shown and what cooldowns count by."""

    group: str
    sure: float  # probability of what `name` says
    species: str | None = None
    scientific: str | None = None
    group_sure: float | None = field(default=None, compare=False)  # of the group alone; None: not known apart

    @property
    def name(self) -> str:
        """Who it is, in words: "house finch", "a bird, species not sure", "a squirrel"."""
        if self.species:
            return self.species
        if self.group == SOMETHING:
            return "something that moved"
        if self.group == "animal":
            return "an animal, not sure which"
        return "a bird, species not sure" if self.group == "bird" else f"a {self.group}"

    @property
    def key(self) -> str:
        """Stable key: the species where there is one, else the group."""
        return self.species or self.group


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """An arrival, a stay, a departure. `end` is None while it lasts."""

    id: str
    start: Moment
    last_seen: Moment
    visitor: Visitor
    sightings: int
    box: Box  # where it was last seen
    best: Picture | None
    best_score: float
    end: Moment | None = None

    @property
    def stay_s(self) -> float:
        return max(0.0, self.last_seen.mono_s - self.start.mono_s)


class Outcome(StrEnum):
    """What was decided about a visit. The values are stored and exported, so they keep their older words."""

    TELL = "told"
    HOLD = "held for the summary"
    SILENT = "not told"

    @property
    def words(self) -> str:
        """What became of the alert, for a person: "sent", "held for the summary", "not sent"."""
        return {"told": "sent", "not told": "not sent"}.get(self.value, self.value)


@dataclass(frozen=True, slots=True)
class Clause:
    """One condition that was tried, and how it came out."""

    name: str  # "visitor", "sure", "cooldown", ...
    passed: bool
    text: str  # "cooldown of 4 min has 2 min 10 s left"


class Waiting(NamedTuple):
    """Why nothing is decided yet."""

    rule: str  # would take the visit
    earlier: str  # may still take it
    lacks: str  # the clause that this one lacks: "stay", "visitor", "sure"


@dataclass(frozen=True, slots=True)
class Decision:
    """Tell it or not, to whom, and why."""

    visit: str
    outcome: Outcome
    sinks: tuple[str, ...]
    rule: str | None
    clauses: tuple[Clause, ...]
    reason: str  # one sentence
    waits: Waiting | None = None


@dataclass(frozen=True, slots=True)
class Alert:
    """What is to be told. `id` is stable: a receiver drops repeats by it."""

    id: str
    kind: str  # "visit", "summary", "absence", "box", "journal"
    wall: datetime
    clock_set: bool
    title: str  # "a squirrel at Alder Row"
    text: str  # one or a few plain sentences
    sinks: tuple[str, ...]
    visit: str | None = None
    visitor: Visitor | None = None
    picture: str | None = None  # path relative to the picture folder
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Absent:
    """To be told: nobody came, or (`over`) one has come after all."""

    id: str
    absence: str  # its name
    over: bool
    since: datetime | None  # when one came last (`came`), or when the waiting began; None: not known
    came: bool
    by: datetime | None = None  # the time of the day that has passed
    visitor: Visitor | None = None  # who has come
