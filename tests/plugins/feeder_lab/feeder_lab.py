"""A camera that shows stripes, a sensor of the processor's load, and a sink that writes lines into a file."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field

from dooryard.box.kinds import CameraOptions, PathText, SensorOptions, SinkOptions, Surroundings
from dooryard.camera.base import Camera, EndOfFramesError
from dooryard.core.clock import Clock
from dooryard.core.errors import CameraError
from dooryard.core.records import Alert, Frame, Moment
from dooryard.sensors.base import Reading, Sensor, Unit, gone
from dooryard.sensors.kinds import Machine
from dooryard.sinks.base import SendOutcome, SendResult, Sink

START = datetime(2026, 6, 14, 9, tzinfo=UTC)


class StripesTable(CameraOptions):
    """A recording of stripes that wander over the view."""

    kind: Literal["stripes"]
    frames: int = Field(default=100, ge=1, description="How many there are.")
    frames_per_s: float = Field(default=5.0, gt=0, le=60, description="Frames a second.")

    def build(self, clock: Clock, base: Path) -> Camera:
        del clock, base  # a recording brings its own times, and this one needs no file
        return Stripes(self.frames, self.frames_per_s, self.luma_size)


class Stripes:
    """The camera itself."""

    name = "stripes"
    live = False

    def __init__(self, frames: int, frames_per_s: float, luma_size: tuple[int, int]) -> None:
        self._frames, self._every_s, self._size = frames, 1 / frames_per_s, luma_size
        self._next: int | None = None

    def open(self, after: datetime | None = None) -> None:
        self._next = 0
        while after is not None and self._wall(self._next) <= after:
            self._next += 1

    def read(self, timeout_s: float) -> Frame:
        del timeout_s
        if self._next is None:
            raise CameraError("the stripes are not open", "open them before reading")
        number = self._next
        if number >= self._frames:
            raise EndOfFramesError(f"the stripes are over after {self._frames} frames")
        self._next += 1
        width, height = self._size
        row = ((np.arange(2 * width) // 20 + number) % 2 * 120 + 60).astype(np.uint8)
        luma = np.ascontiguousarray(np.tile(row[:width], (height, 1)))
        large = np.ascontiguousarray(np.repeat(np.tile(row, (2 * height, 1))[:, :, None], 3, axis=2))
        return Frame(number, self._wall(number), 1000.0 + number * self._every_s, luma, large.copy)

    def close(self) -> None:
        self._next = None

    def _wall(self, number: int) -> datetime:
        return START + timedelta(seconds=number * self._every_s)


class LoadOptions(SensorOptions):
    """How busy the processor is, in percent of one core, over a minute."""

    kind: Literal["load"]

    def build(self, machine: Machine) -> Sensor:
        return Load(self.name, machine.root / "proc/loadavg")


class Load:
    """The sensor itself."""

    unit = Unit.PERCENT

    def __init__(self, name: str, file: Path) -> None:
        self.name, self.every_s, self._file = name, 30.0, file

    def read(self, now: Moment) -> Reading:
        try:
            value = float(self._file.read_text(encoding="ascii").split()[0]) * 100
        except (OSError, ValueError, IndexError) as error:
            return gone(self, now, f"{self._file}: {error}")
        return Reading(self.name, self.unit, now, value)


class NotebookOptions(SinkOptions):
    """A file that gets a line for each alert."""

    kind: Literal["notebook"]
    file: PathText = Field(description="The file.")

    def build(self, around: Surroundings) -> Sink:
        return Notebook(self.name, around.base / self.file)


class Notebook:
    """The sink itself."""

    def __init__(self, name: str, file: Path) -> None:
        self.name, self._file = name, file
        self.sync: Callable[[int], None] = os.fsync

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        del picture
        line = f"{alert.id} {' '.join(alert.title.split())}\n".encode(errors="replace")
        written = False
        try:
            with self._file.open("ab", buffering=0) as opened:
                opened.write(line)
                written = True
                self.sync(opened.fileno())
        except IsADirectoryError:
            return SendResult(SendOutcome.REFUSED, f"{self._file.name} is a folder")
        except OSError as error:
            outcome = SendOutcome.MAYBE_SENT if written else SendOutcome.NOT_SENT
            return SendResult(outcome, f"{self._file.name}: {error.strerror}")
        return SendResult(SendOutcome.SENT, "written down")

    def close(self) -> None:
        """Nothing is held."""
