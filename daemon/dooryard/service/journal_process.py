"""Builds the journal in a process of its own, so that no frame waits for it. Edge.

The process has a bound on its memory and a deadline, and there is one at a time; it has the lowest priority
where the system lets it (the shipped unit does not: its filter denies the call). What it wrote stays whole
wherever it is ended, and the next build goes on from there.
"""

from __future__ import annotations

import contextlib
import logging
import os
import resource
import signal
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO

from dooryard.core.clock import Clock
from dooryard.core.errors import AlreadyRunningError
from dooryard.core.log import say

_log = logging.getLogger("dooryard")
DEADLINE_S = 900.0
_MOST_DATA_BYTES = 256 * 1024 * 1024  # of memory of its own; it needs about 70 MB
_LOWEST_PRIORITY = 19
_LOUDEST_BYTES = 4096  # how much of its complaints is kept
_TO_END_S = 5.0  # how long it may take to end when told to
_PASSED_ON = ("PATH", "HOME", "LANG", "PYTHONPATH", "TZDIR")  # no secret stands in these


@dataclass(frozen=True, slots=True)
class Ended:
    """How a build ended. `why` says in words why it came to nothing; "" where it was done."""

    why: str = ""
    busy: bool = False  # another process builds the same journal at this moment


class Builder:
    """`begin`, then `poll` until it says how it ended; `stop` at the end. None waits for the build."""

    def __init__(self, command: Sequence[str], clock: Clock, *, deadline_s: float = DEADLINE_S) -> None:
        self._command = list(command)
        self._clock = clock
        self._deadline_s = deadline_s
        self._process: subprocess.Popen[bytes] | None = None
        self._complaints: IO[bytes] | None = None
        self._began_s = 0.0
        self._told_to_end = False
        self._priority_told = False

    @property
    def running(self) -> bool:
        return self._process is not None

    def begin(self) -> Ended | None:
        """Start a build, unless one runs. Says at once how it ended where it could not be started."""
        if self._process is not None:
            return None
        environment = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
        try:
            self._complaints = tempfile.TemporaryFile()  # noqa: SIM115  (closed when the process has ended)
            self._process = subprocess.Popen(  # noqa: S603  (this very program)
                self._command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=self._complaints,
                env=environment,
                start_new_session=True,
            )
        except OSError as error:
            self._close()
            return Ended(f"the build could not be started: {error.strerror or error}")
        self._began_s, self._told_to_end = self._clock.now().mono_s, False
        self._hold_down(self._process.pid)
        return None

    def poll(self) -> Ended | None:
        """How it ended; None while it runs, or when none does. Ends one that takes too long."""
        if self._process is None:
            return None
        code = self._process.poll()
        took_s = self._clock.now().mono_s - self._began_s
        if code is None:
            if took_s > self._deadline_s:
                self._end(signal.SIGKILL if took_s > self._deadline_s + _TO_END_S else signal.SIGTERM)
                self._told_to_end = True
            return None
        complaint, late = self._last_words(), self._told_to_end
        self._close()
        if code == 0:
            return Ended()
        if code == AlreadyRunningError.exit_code:
            return Ended(complaint, busy=True)
        if late:
            return Ended(f"the build took longer than {self._deadline_s:g} s and was ended")
        how = f"the build was ended by signal {-code}" if code < 0 else f"the build ended with {code}"
        return Ended(complaint or how)

    def stop(self) -> None:
        """End a build that runs. May be called twice."""
        if self._process is not None:
            self._end(signal.SIGKILL)
            self._process.wait()
            self._close()

    def _hold_down(self, pid: int) -> None:
        try:
            resource.prlimit(pid, resource.RLIMIT_DATA, (_MOST_DATA_BYTES, _MOST_DATA_BYTES))
            os.setpriority(os.PRIO_PROCESS, pid, _LOWEST_PRIORITY)
        except ProcessLookupError:
            return  # it has ended already; `poll` says how
        except OSError as error:
            if not self._priority_told:
                self._priority_told = True
                say(_log, logging.INFO, "the journal is built at the usual priority", why=error.strerror)

    def _end(self, number: int) -> None:
        assert self._process is not None
        with contextlib.suppress(ProcessLookupError):  # it has just ended
            os.killpg(self._process.pid, number)

    def _last_words(self) -> str:
        """Its complaint without the remedy's line, on one line."""
        assert self._complaints is not None
        size = self._complaints.seek(0, os.SEEK_END)
        self._complaints.seek(max(0, size - _LOUDEST_BYTES))
        lines = self._complaints.read().decode(errors="replace").splitlines()
        told = [line.strip().removeprefix("dooryard: ") for line in lines if line.strip()]
        said = [line for line in told if not line.startswith(("to do:", "no --policy given"))]
        return "".join(c if c.isprintable() else " " for c in said[-1])[:300] if said else ""

    def _close(self) -> None:
        if self._complaints is not None:
            self._complaints.close()
        self._process = self._complaints = None
