"""Whether the service has the camera, and doing without it for a while. Edge: asks systemd and the kernel."""

from __future__ import annotations

import fcntl
import os
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from dooryard.core.errors import AlreadyRunningError
from dooryard.outbox.own import LOCK

UNIT = "dooryard.service"
_STAYS = frozenset({"active", "activating", "reloading"})
_IS_UP = _STAYS | {"deactivating"}
_PATIENCE_S = 120.0  # a stop ends the visit in progress first; the unit itself takes 45 s at most
_COMMANDS = "sudo systemctl stop dooryard; and afterwards: sudo systemctl start dooryard"

Run = Callable[[Sequence[str]], tuple[int, str]]
"""Runs a command; gives its exit code and what it printed on both outputs."""
Say = Callable[[str], None]


def run_command(command: Sequence[str]) -> tuple[int, str]:
    """A `Run` that does. A program that is not there, or that never ends, counts as failed."""
    try:
        done = subprocess.run(  # noqa: S603  (systemctl, by this module)
            command, check=False, capture_output=True, text=True, timeout=_PATIENCE_S,
            start_new_session=True,  # a Ctrl-C is for this program alone
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        return 127, str(error)
    return done.returncode, done.stdout + done.stderr


def service_runs(run: Run) -> bool:
    """Whether systemd runs the service here; False where there is no systemd."""
    return _state(run) in _IS_UP


def _state(run: Run) -> str:
    return run(["systemctl", "is-active", UNIT])[1].strip()


def holder_of(state_folder: Path) -> str | None:
    """Who holds the state folder, such as "process 712"; None: nobody. Makes and changes no file."""
    try:
        descriptor = os.open(state_folder / LOCK, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None  # never used; or not for this user to read, then systemd's word has to do
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        number = os.read(descriptor, 20).decode(errors="replace").strip()
        return f"process {number}" if number else "another process"
    finally:
        os.close(descriptor)
    return None


@contextmanager
def without_service(state_folder: Path, run: Run, tell: Say, *, stop_it: bool) -> Iterator[None]:
    """While inside, nobody else has the camera.

    With `stop_it` a service that runs is stopped, and started again at the end, whatever that was. Raises
    AlreadyRunningError where it runs otherwise, does not stop, or does not start again.
    """
    runs = service_runs(run)
    if runs and not stop_it:
        raise AlreadyRunningError(
            "the service is running, and only one program can have the camera",
            f"add --stop-service, which stops it and starts it again at the end; or: {_COMMANDS}",
        )
    try:
        if runs:
            tell("stopping the service; it is started again at the end")
            _order(run, "stop", "the service could not be stopped", f"as root: {_COMMANDS}")
        holder = holder_of(state_folder)
        if holder is not None:
            raise AlreadyRunningError(
                f"{holder} works with {state_folder}, and only one program can have the camera",
                "end it first",
            )
        yield
    finally:
        if runs and _state(run) not in _STAYS:  # it does where it could not be stopped
            remedy = "sudo systemctl start dooryard; and see: systemctl status dooryard"
            _order(run, "start", "THE SERVICE DOES NOT WATCH: it could not be started again", remedy)
            tell("the service watches again")


def _order(run: Run, what: str, failed: str, remedy: str) -> None:
    code, text = run(["systemctl", what, UNIT])
    if code != 0:
        raise AlreadyRunningError(f"{failed}: {text.strip()[:300] or f'code {code}'}", remedy)
