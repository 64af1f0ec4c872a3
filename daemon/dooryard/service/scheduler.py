"""Scheduler work: what is to be done by the minute and by the hour.

Jobs only leave their name in a queue; the main loop does them between two frames, so that nothing is
touched by two threads. A recording brings its own time, so there the names come from its frames.
"""

from __future__ import annotations

import queue
from typing import Protocol

from dooryard.core.records import Moment

EVERY_S = {"minute": 60.0, "upkeep": 3600.0}


class Scheduler(Protocol):
    """Says what is due."""

    def due(self, now: Moment) -> list[str]:
        """Names of the jobs that have become due since the last call."""
        ...

    def close(self) -> None:
        """Stop. May be called twice."""
        ...


class LiveScheduler:
    """Jobs by APScheduler, for a live camera.

    APScheduler computes next times from the wall clock and stalls when that is set back, so the jobs
    are laid again whenever the two clocks have drifted apart by more than half a minute.
    """

    def __init__(self, now: Moment) -> None:
        from apscheduler.schedulers.background import BackgroundScheduler

        self._names: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._scheduler = BackgroundScheduler(timezone="UTC")
        self._offset_s = now.wall.timestamp() - now.mono_s
        self._lay()
        self._scheduler.start()

    def _lay(self) -> None:
        for name, every_s in EVERY_S.items():
            self._scheduler.add_job(
                self._names.put, "interval", (name,), seconds=every_s, id=name,
                replace_existing=True, coalesce=True, misfire_grace_time=None,
            )  # fmt: skip

    def due(self, now: Moment) -> list[str]:
        offset_s = now.wall.timestamp() - now.mono_s
        if abs(offset_s - self._offset_s) > 30:
            self._offset_s = offset_s
            self._lay()
        names = []
        while not self._names.empty():
            names.append(self._names.get())
        return names

    def close(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)


class RecordedScheduler:
    """Jobs by the time of the frames, for a recording."""

    def __init__(self, now: Moment) -> None:
        self._next_s = {name: now.mono_s + every_s for name, every_s in EVERY_S.items()}

    def due(self, now: Moment) -> list[str]:
        names = [name for name, at_s in self._next_s.items() if now.mono_s >= at_s]
        self._next_s |= {name: now.mono_s + EVERY_S[name] for name in names}
        return names

    def close(self) -> None:
        self._next_s = {}
