"""The two clocks, passed in wherever time matters and never mixed.

Wall time (aware, UTC) decides hours and dates. Monotonic seconds decide cooldowns, ages and
retries. Pure code takes a `Moment` and never asks what time it is.
"""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Protocol

from dooryard.core.records import Moment

if TYPE_CHECKING:
    from dooryard.core.records import Frame


class Clock(Protocol):
    """Where a `Moment` comes from."""

    def now(self) -> Moment:
        """Both readings, taken together."""
        ...

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait until `event` is set (True) or `timeout_s` has passed (False)."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> Moment:
        return Moment(wall=datetime.now(UTC), mono_s=time.monotonic())

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        return event.wait(timeout_s)


class FrameClock:
    """The clock of a recording: it shows the time of the last frame that was taken."""

    def __init__(self, start: Moment) -> None:
        self._now = start

    def take(self, frame: Frame) -> None:
        self._now = Moment(wall=frame.wall, mono_s=frame.mono_s)

    def now(self) -> Moment:
        return self._now

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        del timeout_s  # a recording never waits
        return event.is_set()


class FakeClock:
    """A clock that moves when told to.

    Its wall and monotonic readings start far apart, so that code which mixes them fails at once.
    """

    def __init__(self, wall: datetime | None = None, mono_s: float = 7_000_000.0) -> None:
        self._wall = wall or datetime(2026, 6, 14, 14, 0, tzinfo=UTC)
        self._mono_s = mono_s

    def now(self) -> Moment:
        return Moment(wall=self._wall, mono_s=self._mono_s)

    def advance(self, seconds: float) -> Moment:
        """Let time pass on both clocks; `seconds` must not be negative."""
        if seconds < 0:
            raise ValueError("monotonic time does not go back; use step_wall")
        self._wall += timedelta(seconds=seconds)
        self._mono_s += seconds
        return self.now()

    def step_wall(self, seconds: float) -> Moment:
        """Set the wall clock forward or back, as a time server would; monotonic time goes on."""
        self._wall += timedelta(seconds=seconds)
        return self.now()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        if event.is_set():
            return True
        self.advance(timeout_s)
        return event.is_set()
