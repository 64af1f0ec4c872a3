"""What a sensor says, made steady: one wild reading changes nothing. Pure.

The value of a sensor is the median of its last three readings. So a single spike is never believed, and
a true change is believed at its second reading. There is no value before three readings were taken.
Silence counts from the last reading that had a value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

Sample = tuple[float, float | None]
"""When a sensor was asked (monotonic seconds), and what it said; None: nothing."""

READINGS = 3
SILENT_AFTER_S = 180.0
LET_GO_AFTER_S = 3600.0


@dataclass(frozen=True, slots=True)
class Trace:
    """The last readings of one sensor."""

    values: tuple[float, ...] = ()  # the newest last
    asked_s: float = -math.inf
    heard_s: float | None = None  # of the last value
    silent: bool = False

    @property
    def value(self) -> float | None:
        """The median of the last three readings; None before there were as many."""
        return sorted(self.values)[READINGS // 2] if len(self.values) == READINGS else None

    def with_sample(self, sample: Sample) -> Trace:
        """After one more reading; one that is not newer than the last is the same one again."""
        asked_s, value = sample
        if asked_s <= self.asked_s:
            return self
        if value is None or not math.isfinite(value):
            return replace(self, asked_s=asked_s)
        return replace(self, values=(*self.values, value)[-READINGS:], asked_s=asked_s, heard_s=asked_s)


@dataclass(frozen=True, slots=True)
class Traces:
    """What is remembered of all sensors."""

    since_s: float | None = None  # when they began to be watched
    of: Mapping[str, Trace] = field(default_factory=lambda: MappingProxyType({}))

    def value(self, sensor: str) -> float | None:
        """What the sensor says; None: too few readings, or it is silent."""
        trace = self.of.get(sensor)
        return None if trace is None or trace.silent else trace.value

    def silent_for_s(self, sensor: str, now_s: float) -> float:
        """Seconds since its last value; since the beginning for one that never had any."""
        trace = self.of.get(sensor, Trace())
        heard_s = trace.heard_s if trace.heard_s is not None else self.since_s
        return 0.0 if heard_s is None else max(0.0, now_s - heard_s)


def heard(
    traces: Traces, wanted: frozenset[str], samples: Mapping[str, Sample], now_s: float
) -> tuple[Traces, tuple[str, ...], tuple[str, ...]]:
    """Take in `samples` of the sensors in `wanted`.

    Returns the new traces, the sensors that have now fallen silent, and those that are back.
    """
    since_s = now_s if traces.since_s is None else traces.since_s
    timed = replace(traces, since_s=since_s)
    of: dict[str, Trace] = {}
    gone: list[str] = []
    back: list[str] = []
    for sensor in sorted(wanted):
        before = traces.of.get(sensor, Trace())
        trace = before.with_sample(samples[sensor]) if sensor in samples else before
        of[sensor] = trace
        quiet = replace(timed, of=of).silent_for_s(sensor, now_s) > SILENT_AFTER_S
        if quiet and not before.silent:
            gone.append(sensor)
            # What it said before its silence is no longer true: it begins anew when it is back.
            of[sensor] = replace(trace, silent=True, values=())
        elif before.silent and not quiet:
            back.append(sensor)
            of[sensor] = replace(trace, silent=False)
    return Traces(since_s, MappingProxyType(of)), tuple(gone), tuple(back)
