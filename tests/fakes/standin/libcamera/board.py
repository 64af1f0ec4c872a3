"""What the hardware does: switches in the JSON file DOORYARD_STANDIN_BOARD, read anew when it changes."""

from __future__ import annotations

import ctypes
import json
import os
from pathlib import Path
from typing import Any

_DEFAULTS: dict[str, Any] = {
    "cameras": 1,
    "held_elsewhere": False,
    "newest": False,  # the generation whose streams have a crop each
    "sensor": [3280, 2464],
    "lens": False,  # one that can be focused
    "adjusted_size": None,  # what the large stream becomes
    "heap": "there",  # or "refused", "missing", "full"
    "frames": True,  # whether any come
    "event_loop_dies": False,
    "latency_s": 0.03,
    "scene": None,  # an .npy file of shape (H, W, 3): what the camera sees, else stripes
    "hang_at_start_s": 0,
    "hang_at_stop_s": 0,
    "hang_between_frames_s": 0,
}
_sleep = ctypes.PyDLL(None).sleep  # keeps the interpreter's lock, as a call into the library does


class Board:
    """One for the process; each switch is an attribute."""

    def __init__(self) -> None:
        self._file = os.environ.get("DOORYARD_STANDIN_BOARD")
        self._seen_ns = 0
        self._switches = dict(_DEFAULTS)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        if self._file is not None:
            changed_ns = Path(self._file).stat().st_mtime_ns
            if changed_ns != self._seen_ns:
                self._seen_ns = changed_ns
                self._switches = _DEFAULTS | json.loads(Path(self._file).read_text(encoding="utf-8"))
        return self._switches[name]

    def note(self, **facts: object) -> None:
        """Leave word of what was set, for the test to read."""
        if self._file is not None:
            with Path(self._file + ".log").open("a", encoding="utf-8") as log:
                log.write(json.dumps(facts) + "\n")

    def hang(self, where: str) -> None:
        """Stay in the library for as long as the switch says, once begun without an end."""
        seconds = getattr(self, f"hang_{where}_s")
        if seconds:
            self.note(hangs=where)
            _sleep(int(seconds))


board = Board()
