"""A garden for simulated days: who comes when, what the camera does, and sinks that hear of it.

Times are simulated seconds since the first midnight. Nothing here waits: reading a frame or trying to is
what makes the clock go on.
"""

from __future__ import annotations

import logging
import threading
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

import numpy as np

from dooryard.camera.base import CameraStalledError
from dooryard.camera.luma import small_luma
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError
from dooryard.core.records import Alert, Exposure, Frame
from dooryard.outbox.dispatcher import HoldsFor, InsteadOf
from dooryard.outbox.schedule import Instead, RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sensors.poller import SensorPoller
from dooryard.sinks.base import SendOutcome, SendResult

SLOW_S, LIVELY_S = 25.0, 0.2  # between two frames: while nothing happens, and around a visit
BEFORE_S, AFTER_S = 20.0, 12.0  # how long before and after a visit frames are lively
HEIGHT, WIDTH = 120, 160


@dataclass(frozen=True, slots=True)
class Comes:
    """Somebody who comes."""

    at_s: float
    who: str
    stays_s: float = 12.0


@dataclass(frozen=True, slots=True)
class Span:
    """From when to when something does not work."""

    from_s: float
    to_s: float

    def holds(self, t_s: float) -> bool:
        return self.from_s <= t_s < self.to_s


class DayClock(FakeClock):
    """A fake clock that also says how long it has gone on."""

    def __init__(self, wall) -> None:
        super().__init__(wall)
        self._start_s = self.now().mono_s

    @property
    def t_s(self) -> float:
        return self.now().mono_s - self._start_s


class DayCamera:
    """Shows an empty garden, and whoever is there. `stalls` and `gone` say when it does not work."""

    name, live = "garden camera", True

    def __init__(self, clock: DayClock, comes: Sequence[Comes], stalls: Sequence[Span], gone: Sequence[Span]):
        self._clock, self._stalls, self._gone = clock, stalls, gone
        self._comes = sorted(comes, key=lambda one: one.at_s)
        self._starts = [one.at_s - BEFORE_S for one in self._comes]
        self._number, self._open, self._never = 0, False, threading.Event()
        self._empty = np.random.default_rng(7).integers(90, 130, (HEIGHT, WIDTH, 3), np.uint8)
        self.there: str | None = None  # who is on the newest frame

    def open(self, after=None) -> None:
        del after
        if any(span.holds(self._clock.t_s) for span in self._gone):
            raise CameraError(f"{self.name} is absent", "see to its cable")
        self._open = True

    def read(self, timeout_s: float) -> Frame:
        if not self._open or any(span.holds(self._clock.t_s) for span in self._gone):
            raise CameraError(f"{self.name} is gone", "open it again")
        if any(span.holds(self._clock.t_s) for span in self._stalls):
            self._clock.wait(self._never, timeout_s)
            raise CameraStalledError(f"no frame within {timeout_s:g} s")
        self._clock.advance(self._period_s(self._clock.t_s))
        self._number += 1
        picture, now = self._picture(self._clock.t_s), self._clock.now()
        luma = small_luma(picture, (WIDTH, HEIGHT))
        return Frame(self._number, now.wall, now.mono_s, luma, picture.copy, Exposure())

    def close(self) -> None:
        self._open = False

    def _period_s(self, t_s: float) -> float:
        """To the next frame; never past the beginning of what is lively."""
        at = bisect_right(self._starts, t_s)
        last = self._comes[at - 1] if at else None
        if last is not None and t_s < last.at_s + last.stays_s + AFTER_S:
            return LIVELY_S
        until_s = self._starts[at] - t_s if at < len(self._starts) else SLOW_S
        return min(SLOW_S, max(LIVELY_S, until_s))

    def _picture(self, t_s: float) -> np.ndarray:
        picture = self._empty.copy()
        self.there = None
        for one in self._comes:
            if one.at_s <= t_s < one.at_s + one.stays_s:
                self.there = one.who
                x = 60 + int(4 * (t_s % 3))  # it shifts about on the perch
                picture[50:80, x : x + 30] = (40, 30, 25)
                picture[56:62, x + 6 : x + 24] = (180, 160, 140)
        return picture


class DayPoller(SensorPoller):
    """A sensors' poller that is turned by the test and so has no thread that could end."""

    def alive(self, now) -> bool:
        return self.stuck(now) is None


class DaySink:
    """Writes down what arrives, except while there is no network."""

    def __init__(self, name: str, clock: DayClock, offline: Sequence[Span], hear: Callable[[str], None]):
        self.name, self._clock, self._offline, self._hear = name, clock, offline, hear
        self.attempts = 0

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        self.attempts += 1
        if any(span.holds(self._clock.t_s) for span in self._offline):
            return SendResult(SendOutcome.NOT_SENT, "no network")
        with_it = ", with a picture" if picture else ""
        self._hear(f"    {self.name} hears{with_it}: {alert.title} | {' / '.join(alert.text.splitlines())}")
        return SendResult(SendOutcome.SENT, "heard")

    def close(self) -> None:
        """There is nothing to let go of."""


class DayDispatcher:
    """The real workers without their threads: `tick` does what is due."""

    def __init__(self, store: Store, sinks: Sequence[DaySink], clock: DayClock, log: logging.Logger) -> None:
        self._clock = clock
        self._holds: HoldsFor = lambda _sink, _kind, _made: False
        self._insteads: InsteadOf = lambda _sink: None
        self._workers = [
            DeliveryWorker(
                store, sink, clock, log, rules=RetryRules(), jitter=lambda: 0.5,
                holds=partial(self._held, sink.name),
                instead=partial(self._in_place_of, sink.name), wake=self.wake,
                others=[other.name for other in sinks if other is not sink],
            )
            for sink in sinks
        ]  # fmt: skip
        self._due_s: list[float | None] = [0.0 for _ in sinks]

    def _held(self, sink: str, kind: str, made: datetime | None) -> bool:
        return self._holds(sink, kind, made)

    def _in_place_of(self, sink: str) -> Instead | None:
        return self._insteads(sink)

    def hold_by(self, holds: HoldsFor) -> None:
        self._holds = holds

    def pass_on_by(self, insteads: InsteadOf) -> None:
        self._insteads = insteads

    def wake(self) -> None:
        self._due_s = [0.0 for _ in self._workers]

    def tick(self) -> None:
        for at, worker in enumerate(self._workers):
            due_s = self._due_s[at]
            while due_s is not None and due_s <= self._clock.now().mono_s:
                wait_s = worker.tick()
                due_s = None if wait_s is None else self._clock.now().mono_s + wait_s
                self._due_s[at] = due_s

    def stuck(self) -> str | None:
        return None

    def now_s(self) -> float:
        return self._clock.now().mono_s

    def failing(self) -> dict[str, float]:
        failing_since_s = {worker.sink.name: worker.failing_since_s for worker in self._workers}
        return {name: since_s for name, since_s in failing_since_s.items() if since_s is not None}

    def drain(self, timeout_s: float) -> bool:
        del timeout_s  # the clock stands still
        self.wake()
        self.tick()
        return all(due_s is None for due_s in self._due_s)

    def stop(self) -> bool:
        return True
