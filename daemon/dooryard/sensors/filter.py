"""What a sensor says, made steady: one wild reading changes nothing. Pure.

The value of a sensor is the median of its last three readings. So a single spike is never believed, and
a true change is believed at its second reading. There is no value before three readings were taken.
A sensor is silent once three of its readings in a row gave nothing, at its own pace, and never before
three minutes. Silence counts from the last reading that had a value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

Sample = tuple[float, float | None]
"""When a sensor was asked (monotonic seconds), and what it said; None: nothing."""

READINGS = 3
USUAL_EVERY_S = 30.0  # the pace of a sensor whose own is not known
LONGEST_REACTION_S = 600.0  # a slower sensor is warned of: heat does its harm within minutes
_SILENT_AFTER_S = 180.0
_MISSES = 3.5  # half a pace of grace: a reading that comes a little late was not missed
_LET_GO_AFTER_S = 3600.0


def silent_after_s(every_s: float) -> float:
    """Seconds since its last value after which a sensor that is read each `every_s` counts as silent."""
    return max(_SILENT_AFTER_S, _MISSES * every_s)


def let_go_after_s(every_s: float) -> float:
    """Seconds since its last value after which the steps of a sensor are let go: later than it is silent."""
    return max(_LET_GO_AFTER_S, 2 * silent_after_s(every_s))


def reaction_s(every_s: float) -> float:
    """The longest that a true change goes unbelieved: until the second reading after it."""
    return 2 * every_s


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
    traces: Traces,
    wanted: frozenset[str],
    samples: Mapping[str, Sample],
    now_s: float,
    paces_s: Mapping[str, float] = MappingProxyType({}),
) -> tuple[Traces, tuple[str, ...], tuple[str, ...]]:
    """Take in `samples` of the sensors in `wanted`; `paces_s` is how often each is read, where that is known.

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
        longest_s = silent_after_s(paces_s.get(sensor, USUAL_EVERY_S))
        quiet = replace(timed, of=of).silent_for_s(sensor, now_s) > longest_s
        if quiet and not before.silent:
            gone.append(sensor)
            # What it said before its silence is no longer true: it begins again when it is back.
            of[sensor] = replace(trace, silent=True, values=())
        elif before.silent and not quiet:
            back.append(sensor)
            of[sensor] = replace(trace, silent=False)
    return Traces(since_s, MappingProxyType(of)), tuple(gone), tuple(back)
