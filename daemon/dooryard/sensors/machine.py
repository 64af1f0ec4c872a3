"""Sensors of the machine itself: room on the disk, memory, whether the clock is set."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import psutil

from dooryard.core.records import Moment
from dooryard.sensors.base import Range, Reading, Unit, gone, reading


class DiskRoom:
    """Room that is left for the service's user where `folder` is, in MB."""

    unit = Unit.MEGABYTES

    def __init__(self, folder: Path, *, name: str = "disk", every_s: float = 60.0) -> None:
        self.name, self.every_s = name, every_s
        self._folder = folder

    def read(self, now: Moment) -> Reading:
        try:
            free = psutil.disk_usage(str(self._folder)).free
        except OSError as error:
            return gone(self, now, f"{self._folder}: {(error.strerror or str(error)).lower()}")
        return reading(self, now, free / 1e6, Range(0.0, 1e9))


class MemoryRoom:
    """Memory that can still be given out without swapping, in MB."""

    unit = Unit.MEGABYTES

    def __init__(self, *, name: str = "memory", every_s: float = 60.0) -> None:
        self.name, self.every_s = name, every_s

    def read(self, now: Moment) -> Reading:
        try:
            room = psutil.virtual_memory().available
        except OSError as error:
            return gone(self, now, (error.strerror or str(error)).lower())
        return reading(self, now, room / 1e6, Range(0.0, 1e9))


class ClockSet:
    """Whether the wall clock can be believed (see `clock_state`); `is_set` is asked with the wall time."""

    unit = Unit.YES_NO

    def __init__(
        self, is_set: Callable[[Moment], bool], *, name: str = "clock", every_s: float = 10.0
    ) -> None:
        self.name, self.every_s = name, every_s
        self._is_set = is_set

    def read(self, now: Moment) -> Reading:
        return Reading(self.name, self.unit, now, float(self._is_set(now)))
