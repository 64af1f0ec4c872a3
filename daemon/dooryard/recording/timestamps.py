"""When a recorded frame was taken: EXIF tags, index lines, and the order they must keep.

Text and numbers in, times out; no file is touched here. The EXIF tags and their forms are those of
EXIF 2.32 (CIPA DC-008-2019): DateTimeOriginal (0x9003) "YYYY:MM:DD HH:MM:SS",
SubSecTimeOriginal (0x9291), the digits after the decimal point, OffsetTimeOriginal (0x9011) "+HH:MM".
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import PurePath

DATE_TIME_ORIGINAL = 0x9003
SUBSEC_TIME_ORIGINAL = 0x9291
OFFSET_TIME_ORIGINAL = 0x9011

INDEX_COLUMNS = ("file", "time", "mono_s")  # the last may be left out of the whole index

_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")


class FrameTimeError(ValueError):
    """A frame has no usable time; the text says why, without the frame's name."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """One frame's place in a recording and its time."""

    number: int  # place in the recording, from 1; a frame passed over leaves a gap
    file: str
    wall: datetime  # aware, UTC
    mono_s: float | None = None  # only where an index states it
    states_offset: bool = True  # whether its source says how far from UTC its time is

    @property
    def order(self) -> float:
        """What the recording is ordered by: its monotonic times, else its wall times, in seconds."""
        return self.wall.timestamp() if self.mono_s is None else self.mono_s


@dataclass(frozen=True, slots=True)
class Note:
    """Something about a recording that its reader should know."""

    file: str  # "frame-0007.jpg", or "index.csv:12"
    reason: str

    def __str__(self) -> str:
        return f"{self.file}: {self.reason}"


def exif_stamp(
    tags: Mapping[int, object],
    number: int,
    file: str,
    zone: tzinfo | None,
    not_before: datetime | None = None,
) -> Stamp:
    """Return the frame `file` with the time in its Exif IFD's `tags`.

    `zone` is used when the tags state no offset; None means UTC. `not_before` settles the hour that
    comes twice when a zone leaves summer time. Raises `FrameTimeError`.
    """
    text = _text(tags, DATE_TIME_ORIGINAL)
    if not text.strip(" :"):  # EXIF: unknown digits are spaces
        raise FrameTimeError("has no DateTimeOriginal")
    try:
        local = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 (the offset follows below)
    except ValueError:
        raise FrameTimeError(f"DateTimeOriginal {text!r} is not YYYY:MM:DD HH:MM:SS") from None
    local += _subseconds(_text(tags, SUBSEC_TIME_ORIGINAL))
    offset = _offset(_text(tags, OFFSET_TIME_ORIGINAL))
    wall = _in_utc(local, offset or zone, not_before)
    return Stamp(number, file, wall, states_offset=offset is not None)


def index_stamp(
    row: Mapping[str | None, str | None], number: int, zone: tzinfo | None, not_before: datetime | None = None
) -> Stamp:
    """Return the frame that an index line names; `row` maps column names to text.

    `time` is ISO 8601; without an offset it is in `zone` (None: UTC). Fields beyond the header stand
    under None, as `csv.DictReader` puts them. Raises `FrameTimeError`.
    """
    if None in row:
        raise FrameTimeError("has more fields than the header")
    file, time = (row.get("file") or "").strip(), (row.get("time") or "").strip()
    if not file:
        raise FrameTimeError("names no file")
    path = PurePath(file)
    if path.is_absolute() or ".." in path.parts:
        raise FrameTimeError(f"file {file!r} lies outside the recording folder")
    try:
        moment = datetime.fromisoformat(time)
    except ValueError:
        raise FrameTimeError(f"time {time!r} is not ISO 8601") from None
    wall = _in_utc(moment, moment.tzinfo or zone, not_before)
    mono_s = _seconds(row["mono_s"]) if "mono_s" in row else None
    return Stamp(number, file, wall, mono_s, states_offset=moment.tzinfo is not None)


def in_order(stamps: Iterable[Stamp]) -> Iterator[Stamp | Note]:
    """Yield the stamps whose times never go back, and a note for each that is left out.

    When a time goes back, the frame after next settles which of the two is wrong, so that a single
    frame dated far in the future is itself left out, not all that follow it. Equal times are in order
    (EXIF without sub-seconds has many).
    """
    last: Stamp | None = None  # what was let through
    waiting: Stamp | None = None  # goes through unless what follows speaks against it
    doubted: Stamp | None = None  # came after `waiting` with an earlier time, though not before `last`
    for stamp in stamps:
        if waiting is not None and doubted is not None:
            if stamp.order >= waiting.order:
                yield _before(doubted, waiting)
            else:
                yield _after(waiting, doubted)
                waiting = doubted
            doubted = None
        if waiting is None or stamp.order >= waiting.order:
            if waiting is not None:
                yield waiting
            last, waiting = waiting, stamp
        elif last is not None and stamp.order < last.order:
            yield _before(stamp, waiting)
        else:
            doubted = stamp
    if waiting is not None and doubted is not None:
        yield _before(doubted, waiting)
    if waiting is not None:
        yield waiting


def _before(stamp: Stamp, earlier: Stamp) -> Note:
    return Note(stamp.file, f"out of order: its time is before that of {earlier.file}, which precedes it")


def _after(stamp: Stamp, later: Stamp) -> Note:
    return Note(stamp.file, f"out of order: its time is after that of {later.file}, which follows it")


def _text(tags: Mapping[int, object], tag: int) -> str:
    value = tags.get(tag, "")
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    return str(value).rstrip("\0").strip()


def _subseconds(digits: str) -> timedelta:
    if not digits:
        return timedelta(0)
    if not (digits.isascii() and digits.isdigit()):
        raise FrameTimeError(f"SubSecTimeOriginal {digits!r} is not digits")
    return timedelta(microseconds=int(digits[:6].ljust(6, "0")))


def _offset(text: str) -> timezone | None:
    if not text.strip(" :"):
        return None
    match = _OFFSET.fullmatch(text)
    if match is None or int(match[2]) > 23 or int(match[3]) > 59:
        raise FrameTimeError(f"OffsetTimeOriginal {text!r} is not +HH:MM or -HH:MM")
    span = timedelta(hours=int(match[2]), minutes=int(match[3]))
    return timezone(-span if match[1] == "-" else span)


def _in_utc(moment: datetime, zone: tzinfo | None, not_before: datetime | None) -> datetime:
    try:
        first, second = (moment.replace(tzinfo=zone or UTC, fold=fold).astimezone(UTC) for fold in (0, 1))
    except OverflowError:
        raise FrameTimeError(f"time {moment} is outside the calendar in UTC") from None
    return second if not_before is not None and first < not_before <= second else first


def _seconds(text: str | None) -> float:
    try:
        seconds = float(text or "")
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds):
        raise FrameTimeError(f"mono_s {text!r} is not a number of seconds")
    return seconds
