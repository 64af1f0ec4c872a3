"""How the box itself is: heat, power, moisture and room, in one step; and what is told of it. Pure.

`advance` is called whenever the sensors were read (every few seconds, at least every minute), `throttle_now`
says what the box does without from then on, and `box_alert` makes a message of what is worth one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from dooryard.core.errors import StoreError
from dooryard.core.records import Alert, Moment
from dooryard.core.wording import sentence
from dooryard.health import dew_point, thermal
from dooryard.health.dew_point import MoistureState
from dooryard.health.thermal import HealthNews, HeatState, Throttle
from dooryard.policy.box_tables import ALL_MESSAGES, MESSAGES
from dooryard.policy.case import sinks_for
from dooryard.policy.keeping import ROOM_AGAIN
from dooryard.policy.schema import Disk, Policy
from dooryard.sensors.filter import Sample

VERSION = 1


@dataclass(frozen=True, slots=True)
class HealthState:
    """What is remembered of how the box is."""

    heat: HeatState = field(default_factory=HeatState)
    moisture: MoistureState = field(default_factory=MoistureState)
    disk_low: bool = False

    def to_json(self, now: Moment) -> str:
        """The steps that hold and what was told, as text; what the sensors said is not kept."""
        held_s = {key: now.mono_s - since_s for key, since_s in self.heat.since_s.items()}
        told = {"moist": self.moisture.moist, "disk_low": self.disk_low}
        return json.dumps({"version": VERSION, "held_s": held_s} | told)

    @classmethod
    def from_json(cls, text: str, now: Moment) -> HealthState:
        """The state that `to_json` wrote. Steps hold on over a restart; the time between doesn't count.

        Raises StoreError if it is not such a text.
        """
        try:
            return _restored(json.loads(text), now)
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as error:
            raise StoreError(
                f"the saved heat steps cannot be read ({type(error).__name__}: {error})",
                "remove that state; the steps then start over from the sensors",
            ) from error


def advance(
    state: HealthState,
    policy: Policy,
    samples: Mapping[str, Sample],
    now_s: float,
    *,
    free_mb: float | None = None,
    paces_s: Mapping[str, float] = MappingProxyType({}),
) -> tuple[HealthState, tuple[HealthNews, ...]]:
    """Take in what the sensors said lately, and how much room the disk has (None: not known).

    `samples` maps a sensor's name to when it was asked (monotonic seconds) and its value, None where it
    said nothing. A sample that is not newer than the last of its sensor is passed over. `paces_s` is how
    often each sensor is read (seconds); one that it lacks counts as read every 30 s.
    """
    hot, news = thermal.advance(state.heat, thermal.steps_of(policy), samples, now_s, paces_s)
    moist, text = dew_point.advance(state.moisture, policy.moisture, samples, now_s, paces_s)
    told = [*news, *([HealthNews("moisture", text)] if text else [])]
    low, text = _room(state.disk_low, policy.disk, free_mb)
    told += [HealthNews("disk", text)] if text else []
    return HealthState(hot, moist, low), tuple(told)


def throttle_now(policy: Policy, state: HealthState) -> Throttle:
    """What the box does without at present."""
    return thermal.throttle_of(thermal.steps_of(policy), state.heat)


def box_alert(
    policy: Policy,
    kind: str,
    text: str,
    now: Moment,
    clock_set: bool,
    *,
    sinks: frozenset[str],
    alert_id: str,
) -> Alert | None:
    """A message about the box, or None where the policy wants nobody told of this `kind`.

    `kind` is a key of [messages]; ValueError if it is none. `alert_id` must be new for each message.
    """
    if kind not in MESSAGES:
        raise ValueError(f"there are no messages of the kind {kind!r}")
    to = sinks_for(getattr(policy.messages, kind), sinks)
    if not to:
        return None
    return Alert(
        id=alert_id,
        kind="box",
        wall=now.wall,
        clock_set=clock_set,
        title=f"The box at {policy.place.name}: {kind}",
        text=sentence(text) + ("" if text.endswith(".") else "."),
        sinks=to,
        urgent=kind in policy.messages.urgent or ALL_MESSAGES in policy.messages.urgent,
    )


def _room(low: bool, rule: Disk, free_mb: float | None) -> tuple[bool, str | None]:
    if free_mb is None:
        return low, None
    if not low and free_mb < rule.tell_below_mb:
        return (
            True,
            f"only {free_mb:.0f} MB are free on the card: the oldest pictures go early, until there is room",
        )
    if low and free_mb > rule.tell_below_mb * ROOM_AGAIN:
        return False, f"{free_mb:.0f} MB are free on the card again"
    return low, None


def _restored(data: dict[str, object], now: Moment) -> HealthState:
    held_s = data["held_s"]
    if data["version"] != VERSION or not isinstance(held_s, dict):
        raise ValueError("it is of another version, or not what it should be")
    ages_s = {str(key): float(age_s) for key, age_s in held_s.items()}
    if not all(math.isfinite(age_s) for age_s in ages_s.values()):
        raise ValueError("a time is not finite")
    since_s = {key: now.mono_s - max(0.0, age_s) for key, age_s in ages_s.items()}
    fresh = HealthState(disk_low=data["disk_low"] is True)
    return replace(
        fresh,
        heat=HeatState(MappingProxyType(since_s)),
        moisture=MoistureState(moist=data["moist"] is True),
    )
