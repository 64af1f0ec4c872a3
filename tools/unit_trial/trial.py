"""The board and what stands outside it, as the steps of the trial use them."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from unit_trial.board import Board

SECRET = "whsec_dGhpcyBpcyBub3QgYSBzZWNyZXQgYXQgYWxsIQ=="  # noqa: S105  (of the trial alone)
LAST_RESORT = "/var/lib/dooryard-last-resort"
BOX = """
name = "Alder Row box"
state_folder = "/var/lib/dooryard"
[camera]
kind = "picamera"
large_width = 640
large_height = 480
frames_per_s = 5.0
[[sensor]]
name = "enclosure"
kind = "fake"
script = "0:30.0"
[[sink]]
kind = "webhook"
name = "phone"
url = "http://127.0.0.1:8080/feeder"
secret = "credential:phone-secret"
at_most_per_hour = 10000
"""
POLICY = """
[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"
[[rule]]
name = "anybody"
visitor = ["anything"]
cooldown_min = 0
at_most_per_day = 1000
send_to = ["phone"]
[[heat]]
sensor = "enclosure"
above_c = 80
until_below_c = 60
halt = true
[messages]
start = ["phone"]
stop = ["phone"]
"""


class FailedError(Exception):
    """What came of a step instead of what must."""


@dataclass
class Trial:
    """The board and what stands outside it."""

    board: Board
    folder: Path
    quick: bool
    tried: int = 0  # tries to reach another machine, before the service was started
    outside: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    @property
    def questions(self) -> list[str]:
        """The names that were looked up."""
        return _lines(self.folder / "questions")

    @property
    def taken(self) -> list[dict[str, Any]]:
        """The webhooks that were taken, oldest first."""
        return [json.loads(line) for line in _lines(self.folder / "taken")]

    def stand_outside(self, which: str, file: str) -> None:
        program = Path(__file__).with_name("outside.py")
        words = self.board.inside(
            sys.executable, str(program), which, str(self.folder / file), network_only=True
        )
        self.outside[which] = subprocess.Popen(words, stdin=subprocess.DEVNULL)

    def leave(self, which: str) -> None:
        process = self.outside.pop(which, None)
        if process is not None:
            process.kill()
            process.wait()

    def show(self, name: str) -> str:
        """One property of the service."""
        return self.board.says(f"systemctl show --property={name} --value dooryard.service")

    def until(self, what: str, holds: Callable[[], bool], within_s: float) -> float:
        """Wait until it holds; how long it took. Raises FailedError."""
        begun_s = time.monotonic()
        while not holds():
            if time.monotonic() - begun_s > within_s:
                raise FailedError(f"not {what} within {within_s:.0f} s: {self.last_words()}")
            time.sleep(0.5)
        return time.monotonic() - begun_s

    def until_active(self, within_s: float = 120.0, *, not_pid: str = "0") -> float:
        def active() -> bool:
            return self.show("ActiveState") == "active" and self.show("MainPID") not in ("0", not_pid)

        return self.until("active", active, within_s)

    def log(self) -> str:
        """The latest lines that the service logged."""
        return self.board.says("journalctl -q -u dooryard -o cat -n 15")

    def last_words(self) -> str:
        return self.board.says("journalctl -q -u dooryard -u dooryard-last-resort -o cat -n 3").replace(
            "\n", " / "
        )


def _lines(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines() if path.exists() else []


def must(holds: object, otherwise: str) -> None:
    """Raises FailedError where it does not hold."""
    if not holds:
        raise FailedError(otherwise)


def ok(ran: subprocess.CompletedProcess[str], what: str) -> str:
    """What it printed. Raises FailedError where it failed."""
    must(ran.returncode == 0, f"{what}: exit status {ran.returncode}: {(ran.stderr or ran.stdout)[-300:]}")
    return ran.stdout
