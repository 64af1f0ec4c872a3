"""The way of one frame that becomes an alert: which rooms and modules it passes, by a trace of a real run.

    python tools/walk.py [--modules]

The service watches the simulated garden with the real classifier until it tells of its first visit, in one
process. Of the tick of its loop in which that alert is stored, every call within the package is followed; the
delivery, which has a thread of its own, comes later and is not in it. Prints the rooms in the order of their
first call, how many modules of each were passed, and how often the way came back to the loop; `--modules`
names the modules.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any

PACKAGE = "dooryard."
BOX = """name = "walk"
state_folder = "state"
[camera]
kind = "scene"
[[sink]]
name = "phone"
kind = "memory"
"""


class Walk:
    """Follows the calls of each tick of the loop, and keeps those of the first that told somebody."""

    def __init__(self, loop: str) -> None:
        self.loop = loop
        self.calls: list[str] = []
        self.kept: list[str] = []

    def around(self, tick: Callable[[Any], None]) -> Callable[[Any], None]:
        def followed(loop: Any) -> None:
            self.calls = []
            sys.setprofile(self._call)
            try:
                tick(loop)
            finally:
                sys.setprofile(None)
            names = {call.split()[1] for call in self.calls}
            if not self.kept and {"decide", "alert_for", "record_visit"} <= names:
                self.kept = self.calls
                loop._stop.set()  # noqa: SLF001  (what a signal would do)

        return followed

    def _call(self, frame: FrameType, event: str, _argument: object) -> None:
        module = frame.f_globals.get("__name__", "")
        if event == "call" and module.startswith(PACKAGE):
            self.calls.append(f"{module} {frame.f_code.co_name}")


def modules(calls: list[str]) -> Iterator[str]:
    """The modules in the order of the calls, each once while it is not left."""
    last = ""
    for call in calls:
        module = call.split()[0].removeprefix(PACKAGE)
        if module != last:
            yield module
        last = module


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--modules", action="store_true", help="name the modules")
    asked = parser.parse_args()
    service = "dooryard.service" if importlib.util.find_spec("dooryard.service") else "dooryard"
    loop, run = importlib.import_module(f"{service}.loop"), importlib.import_module(f"{service}.run")
    walk = Walk(loop.__name__)
    loop.Loop.tick = walk.around(loop.Loop.tick)
    with tempfile.TemporaryDirectory() as folder:
        box = Path(folder) / "box.toml"
        box.write_text(BOX, encoding="utf-8")
        run.run(box, None, os.environ)
    if not walk.kept:
        print("nobody was told of", file=sys.stderr)
        return 1
    show(list(modules(walk.kept)), walk.loop.removeprefix(PACKAGE), names=asked.modules)
    return 0


def show(way: list[str], loop: str, *, names: bool) -> None:
    rooms: dict[str, list[str]] = {}
    for module in dict.fromkeys(way):
        rooms.setdefault(module.split(".")[0], []).append(module)
    for room, those in rooms.items():
        print(f"{room:<12}{len(those):>3}  {', '.join(those) if names else ''}".rstrip())
    back = sum(module == loop for module in way) - 1
    print(f"{len(rooms)} rooms, {len(set(way))} modules; back in the loop {back} times")


if __name__ == "__main__":
    sys.exit(main())
