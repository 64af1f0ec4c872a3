"""A recording: a folder of JPEG or PNG frames, played back in the order and at the times it was taken.

Times come from EXIF (see `recording_times`) or from an index, a CSV file with the header
``file,time`` or ``file,time,mono_s``. Without an index, frames go by their names, numbers in names
counting as numbers. A frame that is broken, without a time, or out of order is noted and passed over.

Only the frame in hand is held in memory, beside the list of names. `Frame.large` decodes the file
again, so it costs nothing until it is called.
"""

from __future__ import annotations

import csv
import itertools
import logging
import os
import re
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from pathlib import Path, PurePath
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from dooryard.camera.base import EndOfFramesError
from dooryard.core.errors import CameraError
from dooryard.core.records import Frame, Rgb
from dooryard.recording.image_files import SUFFIXES, BadPictureError, read_exif, read_luma, read_rgb
from dooryard.recording.timestamps import (
    INDEX_COLUMNS,
    FrameTimeError,
    Note,
    Stamp,
    exif_stamp,
    in_order,
    index_stamp,
)

_log = logging.getLogger(__name__)
NOTES_KEPT = 100


class FolderCamera:
    """A recording in `folder`, as a camera (see `base.Camera`).

    Parameters
    ----------
    folder : where the frames are
    index : a CSV file that lists the frames and their times; None: times from EXIF
    luma_size : (width, height) of `Frame.luma`
    time_zone : an IANA name for times that state no offset; None: UTC, and a note says so
    on_note : called with each note as it is made

    Attributes
    ----------
    notes : the first `NOTES_KEPT` notes since `open`; they are logged too
    passed_over : how many frames or index lines were passed over since `open`, noted or not
    """

    live = False

    def __init__(
        self,
        folder: Path,
        *,
        index: Path | None = None,
        luma_size: tuple[int, int] = (320, 240),
        time_zone: str | None = None,
        on_note: Callable[[Note], None] | None = None,
    ) -> None:
        self.name = f"recording {folder}"
        self.notes: list[Note] = []
        self.passed_over = 0
        self._folder = folder
        self._index = index
        self._luma_size = luma_size
        self._zone = _zone(time_zone)
        self._on_note = on_note
        self._frames: Iterator[Frame] | None = None

    def open(self, after: datetime | None = None) -> None:
        """Start at the first frame taken later than `after` (aware), or at the first of all.

        Reads ahead to that frame. Raises `CameraError` if not a single frame can be played.
        """
        if after is not None and after.tzinfo is None:
            raise ValueError("`after` must be an aware time")
        self.close()
        self.notes, self.passed_over = [], 0
        _check_folder(self._folder)
        stamps = self._indexed(self._index) if self._index else self._dated(_frame_names(self._folder))
        frames = self._played(stamps, after)
        first = list(itertools.islice(frames, 1))
        self._frames = itertools.chain(first, frames)

    def read(self, timeout_s: float) -> Frame:
        """Return the next frame. A recording is never waited for, so `timeout_s` has no effect."""
        del timeout_s
        if self._frames is None:
            raise CameraError(f"{self.name} is not open", "open it before reading from it")
        for frame in self._frames:
            return frame
        raise EndOfFramesError(f"{self.name} is over")

    def close(self) -> None:
        self._frames = None

    def _played(self, stamps: Iterator[Stamp], after: datetime | None) -> Iterator[Frame]:
        """Yield the frames in order; at the end, complain if there was none at all."""
        start: datetime | None = None
        usable = False
        for found in in_order(self._minding_offsets(stamps)):
            if isinstance(found, Note):
                self._pass_over(found.file, found.reason)
                continue
            start = start or found.wall
            if after is not None and found.wall <= after:
                usable = True
                continue
            try:
                luma = read_luma(self._folder / found.file, self._luma_size)
            except BadPictureError as error:
                self._pass_over(found.file, f"cannot be decoded: {error}")
                continue
            usable = True
            mono_s = (found.wall - start).total_seconds() if found.mono_s is None else found.mono_s
            yield Frame(found.number, found.wall, mono_s, luma, partial(self._large, found.file))
        if not usable:
            first = f", first {self.notes[0]}" if self.notes else ""
            raise CameraError(
                f"no frame in {self._folder} can be played: {self.passed_over} passed over{first}",
                "give whole frames with EXIF DateTimeOriginal, or an index file with their times",
            )

    def _minding_offsets(self, stamps: Iterator[Stamp]) -> Iterator[Stamp]:
        """Pass the stamps on, and note the first whose time is read as UTC for want of an offset."""
        told = self._zone is not None
        for stamp in stamps:
            if not told and not stamp.states_offset:
                told = True
                self._note(Note(stamp.file, "states no offset from UTC: such times are read as UTC"))
            yield stamp

    def _dated(self, names: list[str]) -> Iterator[Stamp]:
        """Yield the frames in `names` with their EXIF times."""
        latest: datetime | None = None
        for number, name in enumerate(names, start=1):
            try:
                stamp = exif_stamp(read_exif(self._folder / name), number, name, self._zone, latest)
            except (FrameTimeError, BadPictureError) as error:
                self._pass_over(name, str(error))
                continue
            latest = stamp.wall
            yield stamp

    def _indexed(self, index: Path) -> Iterator[Stamp]:
        """Yield the frames that the index names, in its order. The header is checked at once."""
        try:
            with index.open(encoding="utf-8-sig", errors="replace", newline="") as lines:
                header = next(csv.reader(lines), [])
        except (OSError, csv.Error) as error:
            raise CameraError(
                f"the index {index} cannot be read: {error}",
                "name an existing CSV file with the header file,time or file,time,mono_s",
            ) from error
        if header not in ([*INDEX_COLUMNS], [*INDEX_COLUMNS[:2]]):
            raise CameraError(
                f"the index {index} begins with {','.join(header)[:60]!r}",
                "let its first line be file,time or file,time,mono_s",
            )
        return self._index_lines(index)

    def _index_lines(self, index: Path) -> Iterator[Stamp]:
        latest: datetime | None = None
        with index.open(encoding="utf-8-sig", errors="replace", newline="") as lines:
            rows = csv.DictReader(lines, strict=True)
            for number in itertools.count(1):
                try:
                    row = next(rows)
                    stamp = index_stamp(row, number, self._zone, latest)
                except StopIteration:
                    return
                except (csv.Error, FrameTimeError) as error:
                    self._pass_over(f"{index.name}:{rows.reader.line_num}", str(error))
                    continue
                latest = stamp.wall
                yield stamp

    def _large(self, name: str) -> Rgb:
        try:
            return read_rgb(self._folder / name)
        except BadPictureError as error:
            raise CameraError(
                f"{self._folder / name} could be read before and now cannot: {error}",
                "leave the recording's files alone while it is played",
            ) from error

    def _pass_over(self, file: str, reason: str) -> None:
        self.passed_over += 1
        self._note(Note(file, reason))

    def _note(self, note: Note) -> None:
        if len(self.notes) < NOTES_KEPT:
            self.notes.append(note)
            _log.warning("%s: %s", self.name, note)
            if len(self.notes) == NOTES_KEPT:
                _log.warning("%s: further notes are only counted", self.name)
        if self._on_note is not None:
            self._on_note(note)


def _check_folder(folder: Path) -> None:
    if not folder.is_dir():
        raise CameraError(
            f"the recording folder {folder} does not exist", "name an existing folder of JPEG or PNG frames"
        )


def _frame_names(folder: Path) -> list[str]:
    """Names of the pictures in `folder`, numbers in names counting as numbers."""
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in entries if _is_frame(entry)]
    except OSError as error:
        raise CameraError(
            f"the recording folder {folder} cannot be read: {error.strerror}",
            "let this user read the folder, or name another",
        ) from error
    if not names:
        raise CameraError(
            f"the recording folder {folder} holds no frames",
            "put JPEG or PNG frames into it (.jpg, .jpeg, .png)",
        )
    return sorted(names, key=_natural)


def _is_frame(entry: os.DirEntry[str]) -> bool:
    hidden = entry.name.startswith(".")
    return not hidden and PurePath(entry.name).suffix.lower() in SUFFIXES and entry.is_file()


def _natural(name: str) -> tuple[list[tuple[int, str]], str]:
    """Sorting key: frame-9 before frame-10; the name itself settles frame-9 against frame-09."""
    parts = re.split(r"([0-9]+)", name)
    return [(int(part), "") if place % 2 else (0, part) for place, part in enumerate(parts)], name


def _zone(name: str | None) -> ZoneInfo | None:
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise CameraError(
            f"the recording's time zone {name!r} is unknown", 'name an IANA zone, such as "Europe/London"'
        ) from error
