"""Records frames and readings, so that a week on the fence can be rehearsed.

    FOLDER/00001-2026-06-14T13/index.csv      file,time,mono_s: what the folder camera reads
                               000001.jpg     ...
                               readings.csv   time,mono_s,sensor,value: temperatures, exposure, gain
                               about.json     the settings in force
    FOLDER/00002-2026-06-14T14/               the next hour

Bounded: when the recording or the disk is full, the oldest hour goes; when only the present one is left,
recording stops and says why. It never stops the watch: a disk that fails stops the recording only.

Safe on the card: a frame's file is written first; every `flush_s` the new files are flushed together, and
only then their lines are added to the index. So the index never names a frame that is not whole on the
card, and a power cut costs the last `flush_s` at most. Flushing each frame by itself would wear the card.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import logging
import math
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from dooryard.core.atomic_files import FileCalls, make_folders
from dooryard.core.errors import CameraError
from dooryard.core.log import say
from dooryard.core.rate_limit import in_turn
from dooryard.core.records import Box, Frame, Moment, Picture
from dooryard.imaging.jpeg import encode

INDEX, READINGS, ABOUT, TRUTH = "index.csv", "readings.csv", "about.json", "truth.csv"
_OURS = re.compile(rf"\d{{6}}\.jpg|{INDEX}|{READINGS}|{ABOUT}")
INDEX_HEAD, READINGS_HEAD = "file,time,mono_s\n", "time,mono_s,sensor,value\n"

_PART = re.compile(r"\d{5,}-\d{4}-\d{2}-\d{2}T\d{2}")
_log = logging.getLogger("dooryard.recording.writer")
_PART_S = 3600.0
_WHOLE = Box(0.0, 0.0, 1.0, 1.0)
_MOST_HELD = 10_000  # readings that wait for the first frame; of ten sensors, some hours
_CHANGED = 0.02  # exposure and gain are noted again when they differ by this much of themselves


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    """How much to record."""

    frames_per_s: float = 2.0
    quality: int = 85  # of the JPEG files
    most_bytes: int = 8_000_000_000
    leave_free_bytes: int = 1_000_000_000
    most_s: float | None = None  # from the first frame on; None: until stopped
    flush_s: float = 20.0


class RecorderDisk(FileCalls):
    """The calls that the recorder makes, so that a test can fail any of them."""

    def append(self, path: Path, text: str) -> None:
        """Add `text` to a file and flush it. A line that a power cut left torn is ended first."""
        data = text.encode()
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o640)
        try:
            size = os.fstat(descriptor).st_size
            if size and os.pread(descriptor, 1, size - 1) != b"\n":
                data = b"\n" + data
            while data:
                data = data[os.write(descriptor, data) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def put(self, path: Path, data: bytes) -> None:
        """Write a file, not yet flushed."""
        path.write_bytes(data)

    def flush(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def remove_part(self, part: Path) -> None:
        """Remove a part, its index first: what is left of it is then no recording. What is not ours stays."""
        for path in sorted(part.iterdir(), key=lambda path: path.name != INDEX):
            if _OURS.fullmatch(path.name) and not path.is_symlink():
                path.unlink()
        with contextlib.suppress(OSError):  # somebody put something in it
            part.rmdir()


class Recorder:
    """Keeps frames in `folder`. `about` are the settings in force, for who reads the recording.

    Nothing raises for what the disk does: `stopped` then says why there is no recording any more.
    """

    def __init__(
        self,
        folder: Path,
        settings: RecorderSettings | None = None,
        about: Mapping[str, object] | None = None,
        disk: RecorderDisk | None = None,
    ) -> None:
        self.folder = folder
        self.stopped: str | None = None
        self.kept = 0  # frames so far
        self._told = False  # that it stopped
        self._settings = settings or RecorderSettings()
        self._about = dict(about or {})
        self._disk = disk or RecorderDisk()
        self._part: Path | None = None
        self._part_since_s = self._flushed_s = 0.0
        self._next_s = -math.inf
        self._first_s: float | None = None
        self._number = self._part_bytes = 0
        self._unlisted: list[tuple[str, str]] = []  # (file, its line in the index)
        self._readings: list[str] = []
        self._exposure: dict[str, float] = {}

    def take(self, frame: Frame, *, clock_set: bool = True) -> bool:
        """Keep `frame` if one is due. Call it before the next frame is read. True: it was kept."""
        if self.stopped is not None:
            return False
        turn, self._next_s = in_turn(self._next_s, frame.mono_s, self._settings.frames_per_s)
        if not turn:
            return False
        try:
            self._take(frame, clock_set=clock_set)
        except OSError as error:
            self._stop(f"the disk refuses: {error.strerror or error}")
            return False
        except CameraError as error:  # the large picture could not be had; the next frame will tell
            say(_log, logging.WARNING, "frame not recorded", frame=frame.number, why=error.what)
            return False
        return self.stopped is None

    def news(self) -> str | None:
        """Why it stopped, when asked for the first time since; else None."""
        told, self._told = self._told, self.stopped is not None
        return None if told else self.stopped

    def readings(self, values: Iterable[tuple[str, float | None]], now: Moment) -> None:
        """Note what sensors say: (name, value); None: silent. Those before the first frame wait for it."""
        if self.stopped is not None:
            return
        self._readings += [
            _reading(now, name, "" if value is None else f"{value:.3f}") for name, value in values
        ]
        if self._part is None:
            del self._readings[:-_MOST_HELD]
        elif now.mono_s - self._flushed_s >= self._settings.flush_s:  # no frame comes: the camera rests
            self._flushed_s = now.mono_s
            self.close()

    def close(self) -> None:
        """Flush what is not flushed. May be called twice."""
        if self.stopped is None and self._part is not None:
            try:
                self._flush()
            except OSError as error:
                self._stop(f"the disk refuses: {error.strerror or error}")

    def _take(self, frame: Frame, *, clock_set: bool) -> None:
        if self._first_s is None:
            self._first_s = frame.mono_s
        if self._settings.most_s is not None and frame.mono_s - self._first_s >= self._settings.most_s:
            self.close()
            self._stop("as long as was asked for")
            return
        if self._part is None or frame.mono_s - self._part_since_s >= _PART_S:
            self._begin_part(frame)
        assert self._part is not None
        self._number += 1
        name = f"{self._number:06d}.jpg"
        picture = Picture(frame.number, frame.wall, frame.large(), _WHOLE)
        data = encode(picture, "recording", clock_set=clock_set, quality=self._settings.quality)
        self._disk.put(self._part / name, data)
        self._part_bytes += len(data)
        self.kept += 1
        line = f"{name},{frame.wall.isoformat()},{frame.mono_s:.6f}\n"
        self._unlisted.append((name, line))
        self._note_exposure(frame)
        if frame.mono_s - self._flushed_s >= self._settings.flush_s:
            self._flushed_s = frame.mono_s
            self._flush()
            self._make_room()

    def _note_exposure(self, frame: Frame) -> None:
        now = Moment(frame.wall, frame.mono_s)
        pairs = {"camera.exposure_s": frame.exposure.exposure_s, "camera.gain": frame.exposure.gain}
        for name, value in pairs.items():
            before = self._exposure.get(name)
            if value is not None and (before is None or abs(value - before) > _CHANGED * abs(before)):
                self._exposure[name] = value
                self._readings.append(_reading(now, name, f"{value:.6g}"))

    def _begin_part(self, frame: Frame) -> None:
        if self._part is not None:
            self._flush()
        numbers = [int(part.name.split("-")[0]) for part in self._parts()]
        name = f"{max(numbers, default=0) + 1:05d}-{frame.wall:%Y-%m-%dT%H}"
        part = self.folder / name
        make_folders(part, self._disk)
        self._disk.append(part / ABOUT, json.dumps(self._about, indent=2, default=str) + "\n")
        self._disk.append(part / INDEX, INDEX_HEAD)
        self._disk.append(part / READINGS, READINGS_HEAD)
        self._disk.sync_folder(part)
        self._part, self._part_since_s, self._flushed_s = part, frame.mono_s, frame.mono_s
        self._number = self._part_bytes = 0
        self._exposure = {}
        self._make_room()

    def _flush(self) -> None:
        assert self._part is not None
        if self._unlisted:
            for name, _line in self._unlisted:
                self._disk.flush(self._part / name)
            self._disk.sync_folder(self._part)
            self._disk.append(self._part / INDEX, "".join(line for _name, line in self._unlisted))
            self._unlisted.clear()
        if self._readings:
            text = "".join(self._readings)
            self._disk.append(self._part / READINGS, text)
            self._part_bytes += len(text)
            self._readings.clear()

    def _make_room(self) -> None:
        """Let the oldest hours go until the recording and the disk are within their bounds."""
        older = [part for part in self._parts() if part != self._part]
        sizes = {part: size for part in older if (size := _bytes_of_ours(part))}
        while sum(sizes.values()) + self._part_bytes > self._settings.most_bytes or self._disk_is_full():
            if not sizes:
                self.close()
                self._stop("the recording has reached its bound")
                return
            oldest = min(sizes)
            self._disk.remove_part(oldest)
            del sizes[oldest]
            say(_log, logging.INFO, "oldest hour of the recording removed", part=oldest.name)

    def _disk_is_full(self) -> bool:
        return self._disk.free_bytes(self.folder) < self._settings.leave_free_bytes

    def _parts(self) -> list[Path]:
        if not self.folder.is_dir():
            return []
        return sorted(
            path
            for path in self.folder.iterdir()
            if _PART.fullmatch(path.name) and path.is_dir() and not path.is_symlink()
        )

    def _stop(self, why: str) -> None:
        self.stopped = why
        self._unlisted.clear()
        self._readings.clear()
        say(_log, logging.WARNING, "recording stopped", why=why, frames=self.kept, folder=self.folder)


def _bytes_of_ours(part: Path) -> int:
    ours = (path for path in part.iterdir() if _OURS.fullmatch(path.name))
    return sum(path.lstat().st_size for path in ours)


def _reading(now: Moment, name: str, value: str) -> str:
    """A line of the readings; a sensor's name may hold a comma."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow((now.wall.isoformat(), f"{now.mono_s:.3f}", name, value))
    return line.getvalue()
