"""What is wrong with the box itself, by its sensors: each told once when it begins and once when it is over.

Here is what no policy has a say in; heat, low power, moisture and room are the policy's (see
`health.state`). Pure: values in, new values out. A trouble begins when it has held for a while, and is
over when its end has held as long: a flag that flickers makes no noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from dooryard.core.records import Moment
from dooryard.sensors.base import Reading
from dooryard.sensors.watch import duration_text


@dataclass(frozen=True, slots=True)
class Trouble:
    """One sort of trouble. It begins at `begins` or beyond, and is over at `over` or beyond, away from it.

    With begins > over a high value is trouble, with begins < over a low one.
    """

    sensor: str
    begins: float
    over: float
    after_s: float  # how long a state must hold before it counts
    kind: str  # which of the policy's messages it belongs to
    told: str  # what it means and what to do, for the owner
    ended: str

    def holds(self, value: float, *, before: bool) -> bool:
        """Whether `value` is trouble, if it was `before`."""
        if self.begins > self.over:
            return value >= self.begins or (before and value > self.over)
        return value <= self.begins or (before and value < self.over)


SLOWED_DOWN = Trouble(
    "slowed-down", 1.0, 0.0, 60.0, "heat",
    "the board is throttling because of heat or low power",
    "the board runs at full speed again",
)  # fmt: skip
LITTLE_MEMORY = Trouble(
    "memory", 40.0, 80.0, 120.0, "memory",
    "little memory is left: other programs on the board may be stopped by the system",
    "enough memory is free again",
)  # fmt: skip
CLOCK_NOT_SET = Trouble(
    "clock", 0.0, 1.0, 600.0, "clock",
    "the clock is not set: hours are ignored, and pictures say so, until the network sets it",
    "the clock is set",
)  # fmt: skip
USUAL = (SLOWED_DOWN, LITTLE_MEMORY, CLOCK_NOT_SET)


@dataclass(frozen=True, slots=True)
class FaultStatus:
    """How one trouble stands."""

    holds: bool = False  # by the last value
    since: Moment | None = None  # since when `holds` is as it is
    told: bool = False  # the owner knows it as begun
    begun: Moment | None = None


@dataclass(frozen=True, slots=True)
class FaultStates:
    """How all of them stand, by the sensor's name."""

    statuses: Mapping[str, FaultStatus] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def told(self) -> tuple[str, ...]:
        """Those that the owner knows of, in alphabetical order."""
        return tuple(sorted(name for name, status in self.statuses.items() if status.told))


@dataclass(frozen=True, slots=True)
class Change:
    """A trouble began or is over."""

    sensor: str
    kind: str
    begins: bool
    text: str


def take(
    states: FaultStates, readings: Mapping[str, Reading], now: Moment, troubles: tuple[Trouble, ...] = USUAL
) -> tuple[FaultStates, tuple[Change, ...]]:
    """Take in the latest readings. A sensor that is gone changes nothing: that is told elsewhere."""
    statuses = dict(states.statuses)
    changes = []
    for trouble in troubles:
        reading = readings.get(trouble.sensor)
        if reading is None or reading.value is None:
            continue
        status, change = _stand(statuses.get(trouble.sensor, FaultStatus()), trouble, reading.value, now)
        statuses[trouble.sensor] = status
        changes += [change] if change else []
    return FaultStates(MappingProxyType(statuses)), tuple(changes)


def _stand(
    before: FaultStatus, trouble: Trouble, value: float, now: Moment
) -> tuple[FaultStatus, Change | None]:
    holds = trouble.holds(value, before=before.holds)
    since = before.since if before.since is not None and holds == before.holds else now
    long_enough = now.mono_s - since.mono_s >= trouble.after_s
    if holds == before.told or not long_enough:
        return FaultStatus(holds, since, before.told, before.begun), None
    if holds:
        begun = FaultStatus(holds, since, told=True, begun=since)
        return begun, Change(trouble.sensor, trouble.kind, begins=True, text=trouble.told)
    lasted_s = 0.0 if before.begun is None else since.mono_s - before.begun.mono_s
    text = f"{trouble.ended}, after {duration_text(lasted_s)}"
    return FaultStatus(holds, since), Change(trouble.sensor, trouble.kind, begins=False, text=text)
