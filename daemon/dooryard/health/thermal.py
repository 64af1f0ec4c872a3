"""Heat steps: what a box does without while it is too hot, or short of power. Pure: state in, state out.

* A step is entered as soon as its sensor (the median of three readings, see `readings`) is above its
  upper bound. It is left when the sensor is below its lower bound and the step has held for its shortest
  time. So a step is entered at most once in that time, whatever the readings do.
* Steps are independent, also those of one sensor; where several hold, the strictest wins for each
  effect by itself: the fewest frames, the longest wait between looks, camera off, halt.
* A sensor that falls silent (three readings missed, at its own pace) changes nothing at first: its steps
  stay as they are. After an hour of silence, or twice what it takes a slow sensor to count as silent, they
  are let go, for a box that sees nothing for months because of a broken wire is of no use; the processor
  still looks after itself. Both are told. A halt is never ordered by silence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from dooryard.core.wording import duration
from dooryard.policy.schema import Policy, Spare
from dooryard.sensors.filter import USUAL_EVERY_S, Sample, Traces, heard, let_go_after_s


@dataclass(frozen=True, slots=True)
class ThrottleStep:
    """One step, whichever table it comes from."""

    key: str  # names it in the saved state: "cpu above 72"
    kind: str  # which messages it belongs to: "heat" or "power"
    sensor: str
    above: float
    until_below: float
    least_s: float
    spare: Spare
    unit: str = "°C"


@dataclass(frozen=True, slots=True)
class Throttle:
    """What the steps that hold come to."""

    frames_per_s: float | None = None  # at most; None: as many as there are
    look_every_s: float | None = None  # at least, between two looks at the same place
    camera_off: bool = False
    halt: bool = False
    because: tuple[str, ...] = ()  # keys of the steps that hold


@dataclass(frozen=True, slots=True)
class HealthNews:
    """Something to tell about a step or a sensor."""

    kind: str  # "heat", "power" or "sensor"
    text: str


@dataclass(frozen=True, slots=True)
class HeatState:
    """Which steps hold, since when (monotonic seconds), and what the sensors said."""

    since_s: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    traces: Traces = field(default_factory=Traces)


def steps_of(policy: Policy) -> tuple[ThrottleStep, ...]:
    """All steps of a policy: those of [[heat]] in order, then [low_power]."""
    heat = [
        ThrottleStep(
            key=f"{table.sensor} above {table.above_c:g}",
            kind="heat",
            sensor=table.sensor,
            above=table.above_c,
            until_below=table.until_below_c,
            least_s=table.at_least_min * 60,
            spare=table,
        )
        for table in policy.heat
    ]
    power = policy.low_power
    low = ThrottleStep("low power", "power", power.sensor, 0.5, 0.5, power.at_least_min * 60, power, unit="")
    return (*heat, low)


def advance(
    state: HeatState,
    steps: Sequence[ThrottleStep],
    samples: Mapping[str, Sample],
    now_s: float,
    paces_s: Mapping[str, float] = MappingProxyType({}),
) -> tuple[HeatState, tuple[HealthNews, ...]]:
    """Take in what the sensors said lately, and enter and leave steps; `paces_s`: how often each is read.

    `samples` may hold a reading again that was taken in before; it then counts once. Steps that are no
    longer in `steps`, after a change of the policy, are left without a word.
    """
    wanted = frozenset(step.sensor for step in steps if _matters(step, state, samples))
    traces, gone, back = heard(state.traces, wanted, samples, now_s, paces_s)
    since_s = {step.key: state.since_s[step.key] for step in steps if step.key in state.since_s}
    news = [_of_silence(sensor, steps, since_s) for sensor in gone]
    news += [HealthNews("sensor", f"the sensor {sensor} is heard again") for sensor in back]
    for step in steps:
        value = traces.value(step.sensor)
        if step.key not in since_s:
            if value is not None and value > step.above:
                since_s[step.key] = now_s
                news.append(HealthNews(step.kind, _entered(step, value)))
        elif value is None:
            longest_s = let_go_after_s(paces_s.get(step.sensor, USUAL_EVERY_S))
            if traces.silent_for_s(step.sensor, now_s) > longest_s:
                del since_s[step.key]
                news.append(HealthNews(step.kind, _let_go(step, longest_s)))
        elif value < step.until_below and now_s - since_s[step.key] >= step.least_s:
            del since_s[step.key]
            news.append(HealthNews(step.kind, _left(step, value)))
    return HeatState(MappingProxyType(since_s), traces), tuple(news)


def throttle_of(steps: Sequence[ThrottleStep], state: HeatState) -> Throttle:
    """What the steps that hold come to: the strictest wins for each effect.

    A halt asks for more than a step that holds: its sensor must say so at present. A step is restored after
    a halt, and the box must not halt again for what it knows of yesterday only.
    """
    held = [step for step in steps if step.key in state.since_s]
    rates = [step.spare.frames_per_s for step in held if step.spare.frames_per_s is not None]
    waits = [step.spare.look_every_s for step in held if step.spare.look_every_s is not None]
    return Throttle(
        frames_per_s=min(rates, default=None),
        look_every_s=max(waits, default=None),
        camera_off=any(step.spare.camera == "off" for step in held),
        halt=any(step.spare.halt and _still(step, state) for step in held),
        because=tuple(step.key for step in held),
    )


def _still(step: ThrottleStep, state: HeatState) -> bool:
    """Whether the sensor says at present what would enter the step."""
    value = state.traces.value(step.sensor)
    return value is not None and value > step.above


def _matters(step: ThrottleStep, state: HeatState, samples: Mapping[str, Sample]) -> bool:
    """Whether its sensor's silence is worth a word: not that of a sensor that the box doesn't have."""
    known = step.sensor in samples or step.sensor in state.traces.of
    return known or not step.spare.asks_nothing


def _entered(step: ThrottleStep, value: float) -> str:
    what = f"{step.sensor} is at {value:.0f} {step.unit}" if step.unit else "the supply's voltage is low"
    return what if step.spare.asks_nothing else f"{what}: {step.spare.in_words}"


def _left(step: ThrottleStep, value: float) -> str:
    if step.unit:
        what = f"{step.sensor} is down to {value:.0f} {step.unit}"
    else:
        what = "the supply's voltage is normal again"
    return what if step.spare.asks_nothing else f"{what}: {step.spare.lifted_in_words}"


def _let_go(step: ThrottleStep, silent_s: float) -> str:
    return (
        f"{step.sensor} has been silent for {duration(silent_s)}, so its state is unknown: "
        f"{step.spare.lifted_in_words}; check the sensor"
    )


def _of_silence(sensor: str, steps: Sequence[ThrottleStep], since_s: Mapping[str, float]) -> HealthNews:
    held = [step.spare.in_words for step in steps if step.sensor == sensor and step.key in since_s]
    then = f"; until it answers: {' and '.join(held)}" if held else "; its steps are not entered"
    return HealthNews("sensor", f"the sensor {sensor} is silent{then}")
