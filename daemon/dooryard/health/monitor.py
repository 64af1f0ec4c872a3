"""Looks after the box: reads what the sensors say, and says what to do without. Edge.

`tick` is called with every frame and works every few seconds. What it decides, the loop does; what is to
be told, the visit store stores.
"""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass, field, replace

from dooryard.button.lamp import Lamp
from dooryard.button.patterns import choose
from dooryard.button.press import Press
from dooryard.button.push import PushButton
from dooryard.core.errors import StoreError
from dooryard.core.log import say
from dooryard.core.rate_limit import in_turn
from dooryard.core.records import Moment
from dooryard.health import faults
from dooryard.health.state import HealthState, advance, throttle_now
from dooryard.health.thermal import HealthNews, Throttle
from dooryard.policy.schema import Policy
from dooryard.sensors.poller import SensorPoller

_log = logging.getLogger("dooryard.health.monitor")
EVERY_S = 5.0


@dataclass(slots=True)
class Monitor:
    """The sensors' poller, the button and the lamp, and what follows from them."""

    poller: SensorPoller
    button: PushButton | None = None
    lamp: Lamp | None = None
    state: HealthState = field(default_factory=HealthState)
    throttle: Throttle = field(default_factory=Throttle)
    new: tuple[tuple[str, float | None], ...] = ()  # what sensors said since the turn before: name, value
    _troubles: faults.FaultStates = field(default_factory=faults.FaultStates)
    temps_c: tuple[tuple[str, float], ...] = ()  # those of `new` that are temperatures
    _asked_s: dict[str, float] = field(default_factory=dict)
    _due_s: float = -math.inf
    _next_frame_s: float = -math.inf

    def start(self) -> None:
        """Start the threads: sensors, button, lamp."""
        self.poller.start()
        for part in (self.button, self.lamp):
            if part is not None:
                part.start()

    def stop(self) -> None:
        """End the threads. May be called twice."""
        self.poller.stop()
        for part in (self.button, self.lamp):
            if part is not None:
                part.stop()

    def restore(self, saved: bytes | None, now: Moment) -> None:
        """Take up the steps that held when the last run ended; what cannot be read is said."""
        if saved is None:
            return
        try:
            self.state = HealthState.from_json(saved.decode("utf-8", "replace"), now)
        except StoreError as error:
            say(_log, logging.ERROR, "heat steps start over", why=error.what)

    def tick(self, policy: Policy, now: Moment) -> tuple[HealthNews, ...]:
        """Take in what the sensors said since, at most every few seconds; what is to be told."""
        self.new = self.temps_c = ()
        if now.mono_s < self._due_s:
            return ()
        self._due_s = now.mono_s + EVERY_S
        samples = self.poller.samples(now)
        self.new = tuple(
            (name, said) for name, (at_s, said) in samples.items() if self._asked_s.get(name) != at_s
        )
        warm = self.poller.temperatures
        self.temps_c = tuple((name, said) for name, said in self.new if name in warm and said is not None)
        self._asked_s = {name: at_s for name, (at_s, _said) in samples.items()}
        disk = samples.get("disk")
        free_mb, paces_s = disk[1] if disk else None, self.poller.paces_s
        self.state, news = advance(self.state, policy, samples, now.mono_s, free_mb=free_mb, paces_s=paces_s)
        self.throttle = throttle_now(policy, self.state)
        mine = {step.sensor for step in policy.heat} | {policy.moisture.air, policy.moisture.humidity}
        others = [HealthNews("sensor", each.text) for each in self.poller.news() if each.sensor not in mine]
        self._troubles, changes = faults.take(self._troubles, self.poller.latest(now), now)
        return (*news, *others, *(HealthNews(change.kind, change.text) for change in changes))

    def in_turn(self, now: Moment) -> bool:
        """Whether a frame is looked at, at the throttled rate."""
        if self.throttle.frames_per_s is None:
            return True
        turn, self._next_frame_s = in_turn(self._next_frame_s, now.mono_s, self.throttle.frames_per_s)
        return turn

    def presses(self) -> list[Press]:
        return self.button.presses() if self.button else []

    def show(self, *, halting: bool = False, seeing: bool, sending: bool, late: bool) -> None:
        """Let the lamp say how things are."""
        if self.lamp is not None:
            hot = bool(self.throttle.because)
            self.lamp.show(choose(halting=halting, hot=hot, seeing=seeing, sending=sending, late=late))

    def halt_now(self) -> None:
        """As if a step had asked for it: the button was held."""
        self.throttle = replace(self.throttle, halt=True)
