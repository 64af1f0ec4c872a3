"""Runs `dooryard setup` with a scripted console, and drives it through a pseudo-terminal."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from dooryard.core.clock import FakeClock
from dooryard.setup.asker import Console
from dooryard.setup.command import Wish, setup
from dooryard.sinks.base import SendOutcome, SendResult

TODAY = date(2026, 6, 14)
SENT = SendResult(SendOutcome.SENT, "HTTP 200 OK")
OXFORD = {"where": "Oxford, GB"}


class Script:
    """Types `lines`, one after the other, and is then at its end; `prompts` is what it was asked."""

    def __init__(self, *lines: str) -> None:
        self.lines = list(lines)
        self.prompts: list[str] = []

    def line(self, prompt: str) -> str:
        self.prompts.append(prompt.strip())
        if not self.lines:
            raise EOFError
        return self.lines.pop(0)

    @property
    def console(self) -> Console:
        return Console(self.line, self.line)


class Trial:
    """What a run was given to send by, and what it said."""

    def __init__(self, answers: Sequence[SendResult] = ()) -> None:
        self.answers = list(answers)
        self.sinks: list[str] = []
        self.said: list[str] = []

    def send(self, sink) -> SendResult:
        self.sinks.append(sink.name)
        return self.answers.pop(0) if self.answers else SENT

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def run(
    given: dict[str, str],
    folder: Path | None,
    trial: Trial | None = None,
    script: Script | None = None,
    **wish,
) -> int:
    """`setup` with the flags `given`; no `script`: nobody is there. Tries nothing unless asked to."""
    trial = trial or Trial()
    chosen = Wish(given, folder, **{"looks": False, "yes": script is None, **wish})
    return setup(
        chosen,
        script.console if script else None,
        FakeClock(),
        trial.send,
        trial.said.append,
        here=None,
        today=TODAY,
    )


_LAUNCH = (
    "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
    "os.execv(sys.argv[1], sys.argv[1:])"
)


class Terminal:
    """A program in a terminal of its own. `type` waits for a prompt, then types as a person does."""

    def __init__(self, arguments: Sequence[str], folder: Path) -> None:
        self._master, slave = pty.openpty()
        command = [sys.executable, "-c", _LAUNCH, sys.executable, "-m", "dooryard", *arguments]
        self._process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, cwd=folder)
        os.close(slave)
        self.seen = ""
        self._read_to = 0

    def type(self, prompt: str, line: str) -> None:
        self.wait_for(prompt)
        os.write(self._master, f"{line}\n".encode())

    def wait_for(self, text: str, within_s: float = 60.0) -> None:
        deadline_s = time.monotonic() + within_s
        while (found := self.seen.find(text, self._read_to)) < 0:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0 or not select.select([self._master], [], [], left_s)[0] or not self._read():
                raise AssertionError(f"never saw {text!r}; saw:\n{self.seen[self._read_to :]}")
        self._read_to = found + len(text)

    def end(self) -> int:
        """Everything that is still said, and the exit code."""
        while self._read():
            pass
        os.close(self._master)
        return self._process.wait(60)

    def _read(self) -> bool:
        try:
            data = os.read(self._master, 65536)
        except OSError:  # EIO: the other end has gone
            return False
        self.seen += data.decode(errors="replace").replace("\r\n", "\n")
        return bool(data)
