"""The real picamera2 from PyPI, above the stand-in for libcamera in `standin/`.

DOORYARD_PICAMERA2 names a folder with one subfolder for each version, as `tools/test` makes it. Without it
the tests on the real class are skipped aloud.
"""

from __future__ import annotations

import itertools
import json
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dooryard.camera.picamera_options import PicameraSettings
from dooryard.camera.picamera_process import PicameraProcess
from dooryard.core.clock import SystemClock

VERSIONS = ("0.3.30", "0.3.36", "0.3.38")
GENERATIONS = {"older boards": False, "newest boards": True}
BOTH = [pytest.param(newest, id=name) for name, newest in GENERATIONS.items()]
_serials = itertools.count()


def library(version: str) -> Path:
    """Where that version lies; skips the test where it does not."""
    folder = os.environ.get("DOORYARD_PICAMERA2")
    if not folder or not (Path(folder) / version / "picamera2").is_dir():
        pytest.skip(f"picamera2 {version} is not there: the real class is NOT tried (tools/test fetches it)")
    return Path(folder) / version


@dataclass
class StandIn:
    """One board, with the switches of `standin/libcamera/board.py`."""

    folder: Path
    version: str = VERSIONS[-1]

    def __post_init__(self) -> None:
        self._library = library(self.version)
        self._file = self.folder / f"board{next(_serials)}.json"
        self.switches: dict[str, Any] = {}
        self.set()

    def set(self, **switches: Any) -> None:
        """From now on; in one move, as the other process may read it at any time."""
        self.switches |= switches
        whole = self._file.with_suffix(".new")
        whole.write_text(json.dumps(self.switches), encoding="utf-8")
        whole.replace(self._file)

    def environ(self) -> dict[str, str]:
        here = Path(__file__).parent / "standin"
        return os.environ | {
            "PYTHONPATH": f"{here}:{self._library}",
            "DOORYARD_STANDIN_BOARD": str(self._file),
        }

    def camera(self, settings: PicameraSettings | None = None, **bounds: Any) -> PicameraProcess:
        given = settings or PicameraSettings(frames_per_s=30.0)
        return PicameraProcess(SystemClock(), given, environ=self.environ(), **bounds)

    def noted(self, what: str) -> Any:
        """What the hardware was last told of `what`."""
        log = Path(f"{self._file}.log")
        lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
        told = [facts[what] for facts in map(json.loads, lines) if what in facts]
        return told[-1] if told else None


def until(true: Callable[[], object], within_s: float = 20.0) -> None:
    """Wait for another process; no longer than a test may take."""
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, "it never came"
        os.sched_yield()
