"""Told once when a sensor is gone, and once when it is back. Pure: values in, new values out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from dooryard.core.records import Moment
from dooryard.sensors.base import Reading

MISSES = 3  # readings in a row without a value before it counts as gone: one may be a glitch on the bus


@dataclass(frozen=True, slots=True)
class SensorNews:
    """A sensor went or came back."""

    sensor: str
    gone: bool
    text: str  # "the sensor enclosure is gone: no answer on the bus (wiring or power)"


@dataclass(frozen=True, slots=True)
class SensorStatus:
    """What is known of one sensor."""

    last_good: Reading | None = None
    misses: int = 0
    gone_since: Moment | None = None  # told as gone, and when


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known of all of them."""

    sensors: Mapping[str, SensorStatus] = field(default_factory=lambda: MappingProxyType({}))


def take(watch: Watch, reading: Reading) -> tuple[Watch, SensorNews | None]:
    """Take in a reading; the news that it makes, if any.

    A sensor that never gave a value is gone at once: nothing was lost, it was never there.
    """
    known = watch.sensors.get(reading.sensor, SensorStatus())
    news = None
    if reading.gone is None:
        if known.gone_since is not None:
            away = duration_text(reading.taken.mono_s - known.gone_since.mono_s)
            text = f"the sensor {reading.sensor} is back after {away}: {reading.text}"
            news = SensorNews(reading.sensor, gone=False, text=text)
        known = SensorStatus(last_good=reading)
    else:
        known = replace(known, misses=known.misses + 1)
        enough = known.misses >= MISSES or known.last_good is None
        if enough and known.gone_since is None:
            known = replace(known, gone_since=reading.taken)
            text = f"the sensor {reading.sensor} is gone: {reading.gone}"
            news = SensorNews(reading.sensor, gone=True, text=text)
    return Watch(MappingProxyType({**watch.sensors, reading.sensor: known})), news


def gone_sensors(watch: Watch) -> tuple[str, ...]:
    """Names of those that are gone, in alphabetical order."""
    return tuple(sorted(name for name, known in watch.sensors.items() if known.gone_since is not None))


def duration_text(seconds: float) -> str:
    """Seconds as a person says them: "45 s", "12 min", "3 h", "2 days"."""
    for size, unit in ((172_800.0, "days"), (7_200.0, "h"), (120.0, "min")):
        if seconds >= size:
            whole = {"days": 86_400.0, "h": 3_600.0, "min": 60.0}[unit]
            return f"{seconds / whole:.0f} {unit}"
    return f"{max(0.0, seconds):.0f} s"
