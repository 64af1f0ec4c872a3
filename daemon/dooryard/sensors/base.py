"""One reading, and what every sensor promises."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from dooryard.core.records import Moment


class Unit(StrEnum):
    """What a value counts; the text is what stands behind it in messages."""

    CELSIUS = "°C"
    PERCENT = "%"  # relative humidity
    MEGABYTES = "MB"  # 10^6 bytes
    DBM = "dBm"
    YES_NO = ""  # 1.0: yes, 0.0: no


@dataclass(frozen=True, slots=True)
class Reading:
    """What one sensor said at one moment, or why it said nothing."""

    sensor: str
    unit: Unit
    taken: Moment  # when it was asked
    value: float | None  # None: nothing that can be used
    gone: str | None = None  # why there is no value, in words; None when there is one

    def __post_init__(self) -> None:
        if (self.value is None) == (self.gone is None):
            raise ValueError(f"{self.sensor}: a reading has either a value or a reason why not")

    def age_s(self, now: Moment) -> float:
        """Seconds since it was taken, by the monotonic clock."""
        return max(0.0, now.mono_s - self.taken.mono_s)

    @property
    def text(self) -> str:
        """The value for people: "41.5 °C", "yes", or "gone: ..."."""
        if self.value is None:
            return f"gone: {self.gone}"
        if self.unit is Unit.YES_NO:
            return "yes" if self.value else "no"
        places = 0 if self.unit in (Unit.MEGABYTES, Unit.DBM) else 1
        return f"{self.value:.{places}f} {self.unit}"


@dataclass(frozen=True, slots=True)
class Range:
    """What a sensor can truly say, both ends included; anything else is a fault."""

    low: float
    high: float

    def refuses(self, value: float, unit: Unit) -> str | None:
        """Why `value` cannot be, or None. Not-a-number is refused as well."""
        if self.low <= value <= self.high:
            return None
        return f"it says {value:g} {unit}, which is outside {self.low:g} to {self.high:g}"


class Sensor(Protocol):
    """One quantity at one place."""

    name: str  # what policies call it: "cpu", "enclosure"
    unit: Unit
    every_s: float  # how often it is worth reading

    def read(self, now: Moment) -> Reading:
        """Ask it. May take long (a second for some), so never on the frame loop.

        Never raises for what the device or the kernel does: that is a reading with `gone`.
        """
        ...


def reading(sensor: Sensor, now: Moment, value: float, limits: Range) -> Reading:
    """A reading of `value`, or of why it cannot be true."""
    fault = limits.refuses(value, sensor.unit)
    return gone(sensor, now, fault) if fault else Reading(sensor.name, sensor.unit, now, value)


def gone(sensor: Sensor, now: Moment, why: str) -> Reading:
    """A reading without a value."""
    return Reading(sensor.name, sensor.unit, now, None, why)
