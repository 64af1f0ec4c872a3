"""Servers as processes: started on loopback, waited for with a deadline, ended with their children."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event

from peer_trials.case import NotTriedError

DEADLINE_S = 20.0
NOBODY = 65534  # Debian's user and group without rights


def program(name: str, package: str) -> str:
    """Where `name` is. Raises `NotTriedError` where it is missing."""
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    if found is None:
        raise NotTriedError(f"{name} is not installed (Debian: apt install {package})")
    return found


def is_root() -> bool:
    return os.geteuid() == 0


def free_port() -> int:
    """A port of loopback on which nobody listens now."""
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


def waited(until: Callable[[], object], deadline_s: float = DEADLINE_S) -> bool:
    """Whether `until` came true before the deadline; it is asked again and again."""
    end_s = time.monotonic() + deadline_s
    pause = Event()
    while not until():
        if time.monotonic() > end_s:
            return False
        pause.wait(0.02)
    return True


def listens(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
        return True
    return False


@contextmanager
def folder(name: str) -> Iterator[Path]:
    """A folder that a server which runs as another user can pass through; gone at the end."""
    with tempfile.TemporaryDirectory(prefix=f"dooryard-{name}-") as made:
        Path(made).chmod(0o711)
        yield Path(made)


@contextmanager
def running(words: Sequence[str], ports: Sequence[int], log: Path) -> Iterator[Callable[[], None]]:
    """The process of `words` once it listens on all `ports`; gives what ends it earlier.

    Raises `NotTriedError` with the end of its log when it does not start here.
    """
    with log.open("ab") as out:
        process = subprocess.Popen(
            words, stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True
        )

    def end() -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGTERM)
        try:
            process.wait(DEADLINE_S)
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)

    try:
        waited(lambda: process.poll() is not None or all(listens(port) for port in ports))
        if process.poll() is not None or not all(listens(port) for port in ports):
            said = log.read_text(errors="replace")[-600:]
            raise NotTriedError(f"{words[0]} does not start here: {said}")
        yield end
    finally:
        end()
