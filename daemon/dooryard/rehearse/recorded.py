"""The readings that were recorded with the frames, given out again as the frames' time goes on."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from statistics import median

from dooryard.core.errors import CameraError
from dooryard.core.records import Moment
from dooryard.recording.writer import READINGS, READINGS_HEAD
from dooryard.sensors.filter import Sample


@dataclass(frozen=True, slots=True)
class Recorded:
    """One line of a readings file."""

    wall: datetime
    sensor: str
    value: float | None


class Readings:
    """Goes through `lines`, oldest first. Times are the frames': a reading is due when its wall time is."""

    def __init__(self, lines: Iterable[Recorded]) -> None:
        self._lines = sorted(lines, key=lambda line: line.wall)
        self._at = 0
        self.any = bool(self._lines)
        self.paces_s = _paces_s(self._lines)

    def due(self, now: Moment) -> dict[str, Sample]:
        """The newest reading of each sensor since the last call, as of `now`."""
        found: dict[str, Sample] = {}
        while self._at < len(self._lines) and self._lines[self._at].wall <= now.wall:
            line = self._lines[self._at]
            ago_s = (now.wall - line.wall).total_seconds()
            found[line.sensor] = (now.mono_s - ago_s, line.value)
            self._at += 1
        return found


def _paces_s(lines: Sequence[Recorded]) -> dict[str, float]:
    """How often each sensor was read: the middle of the times between its lines; none of one line alone."""
    times: defaultdict[str, list[datetime]] = defaultdict(list)
    for line in lines:
        times[line.sensor].append(line.wall)
    return {
        sensor: median((b - a).total_seconds() for a, b in pairwise(at))
        for sensor, at in times.items()
        if len(at) > 1
    }


def read(folders: Sequence[Path]) -> list[Recorded]:
    """All readings in the folders that have any. Raises CameraError for a file that is not one."""
    return [line for folder in folders for line in _read(folder / READINGS)]


def _read(path: Path) -> Iterator[Recorded]:
    if not path.exists():
        return
    try:
        with path.open(encoding="utf-8", errors="replace", newline="") as file:
            rows = csv.DictReader(file)
            if rows.fieldnames != READINGS_HEAD.strip().split(","):
                raise CameraError(
                    f"{path} begins with {','.join(rows.fieldnames or ())!r}",
                    f"let its first line be {READINGS_HEAD.strip()}, or take the file away",
                )
            yield from filter(None, map(_line, rows))
    except (OSError, csv.Error) as error:
        raise CameraError(f"{path} cannot be read: {error}", "let this user read it") from error


def _line(row: dict[str, str]) -> Recorded | None:
    """A reading, or None for a line that a power cut left torn."""
    try:
        wall = datetime.fromisoformat(row["time"])
        value = float(row["value"]) if row["value"] else None
    except (TypeError, ValueError):
        return None
    if wall.tzinfo is None or not row["sensor"] or (value is not None and not math.isfinite(value)):
        return None
    return Recorded(wall, row["sensor"], value)
