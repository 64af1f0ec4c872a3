"""A folder brought to a web host by rsync over ssh: another program, started and ended under a deadline.

Exit codes: rsync(1), "EXIT VALUES"; ssh(1) ends with 255 when it cannot connect or log in.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from dooryard.core.errors import SinkError
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.letter import one_line
from dooryard.sinks.pages import FILE_MODE, FOLDER_MODE, LIST, LIST_MAX_BYTES, list_text, names_in, read_list

_LOUDEST_BYTES = 4096  # how much of the end of the other program's complaints is kept
_OF_USE = {1, 2, 3, 4}  # how it was called, or what the host's rsync can do: trying again changes nothing
_READABLE = ["--perms", f"--chmod=D{FOLDER_MODE:04o},F{FILE_MODE:04o}"]
KEY_CHANGED = "the host's key is not the one in known_hosts"
_IN_WORDS = {
    5: "the host did not begin to talk",
    10: "the connection failed",
    11: "a file or folder could not be written there",
    12: "the connection was lost, or the host has no rsync",
    23: "some files could not be brought over",
    24: "some files went away meanwhile",
    30: "no data for too long",
    35: "no connection in time",
    255: "ssh could not connect or log in",
}


@dataclass(frozen=True, slots=True)
class Host:
    """Where to, and how to log in. `key` is a private key's file; `known_hosts` names the host's own key."""

    host: str
    user: str
    folder: str
    key: Path
    known_hosts: Path
    port: int = 22
    connect_timeout_s: float = 10.0
    silence_timeout_s: float = 30.0
    total_timeout_s: float = 300.0
    remove_gone: bool = False
    rsync: str = "rsync"
    ssh: str = "ssh"


def checked(host: Host) -> Host:
    """`host` itself. Raises `SinkError` for what cannot be put on a command line, or is missing."""
    for what, text in (("host", host.host), ("user", host.user), ("folder", host.folder)):
        if not text.isprintable() or text.startswith("-") or not text:
            raise SinkError(f"the publish sink's {what} {text!r} cannot be used", f"write a plain {what}")
    if set(host.host + host.user) & set(":@/ '\""):
        raise SinkError("the publish sink's host or user holds : @ / or a quote", "write the bare names")
    for path in (host.key, host.known_hosts):
        if not path.is_absolute() or set(str(path)) & set("'\""):
            raise SinkError(f"{path} cannot be used", "write its path from the root, without quotes")
        if not path.is_file():
            raise SinkError(
                f"{path} is missing", "make the key with ssh-keygen, known_hosts with ssh-keyscan"
            )
    return host


def command(host: Host, options: Sequence[str], source: str, target: str) -> list[str]:
    """What is run: rsync from `source` to `target`, one of which is `far(host)`."""
    ssh_options = [
        "-F", "none", "-i", str(host.key), "-p", str(host.port),
        "-o", "IdentitiesOnly=yes", "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=yes",
        # In quotes, as ssh takes a blank here for the end of a name (ssh_config(5)).
        "-o", f'UserKnownHostsFile="{host.known_hosts}"',
        "-o", f"ConnectTimeout={round(host.connect_timeout_s)}",
        "-o", "ServerAliveInterval=15", "-o", "LogLevel=ERROR",
    ]  # fmt: skip
    return [
        host.rsync, *options, f"--timeout={max(1, round(host.silence_timeout_s))}",
        "-e", shlex.join([host.ssh, *ssh_options]), "--", source, target,
    ]  # fmt: skip


def far(host: Host) -> str:
    """The host's folder as rsync takes it."""
    return f"{host.user}@{host.host}:{host.folder.rstrip('/')}/"


def bring(host: Host, source: Path) -> SendResult:
    """Bring `source` to the host. Files that are the same there stay; each changed one is put in place whole,
    readable for all. With `remove_gone`, what an earlier round brought and `source` has no more is removed:
    a list of that is kept at the host, and nothing else is touched.

    Only options that rsync's own `rrsync` allows are used, so that the key may be restricted to this.
    Never "maybe sent": to do it again does no harm.
    """
    try:
        with tempfile.TemporaryDirectory(prefix="dooryard-") as made:
            return _brought(host, source, Path(made), time.monotonic() + host.total_timeout_s)
    except FileNotFoundError:
        return SendResult(SendOutcome.NOT_SENT, f"the program {host.rsync} is not installed")
    except OSError as error:
        return SendResult(SendOutcome.NOT_SENT, f"{host.rsync} could not be started: {error.strerror}")
    except _FailedError as error:
        return error.answer


class _FailedError(Exception):
    def __init__(self, answer: SendResult) -> None:
        super().__init__(answer.text)
        self.answer = answer


def _brought(host: Host, source: Path, scratch: Path, until_s: float) -> SendResult:
    def go(options: Sequence[str], origin: str, target: str) -> None:
        words = command(host, options, origin, target)
        code, complaint = _run(words, max(0.0, until_s - time.monotonic()))
        if code != 0:
            raise _FailedError(_failure(host, code, complaint))

    def some(names: Iterable[str], way: str) -> None:
        (scratch / "names").write_bytes(list_text(names))
        options = [f"--files-from={scratch / 'names'}", way, "--delay-updates", "--omit-dir-times"]
        go([*_READABLE, "--times", *options], f"{source}/", far(host))

    names = set(names_in(source))
    some(names, "--ignore-missing-args")
    if host.remove_gone:
        listed, old = scratch / LIST, scratch / "old"
        old.mkdir()
        # As a folder of which all else is left out: there may be no list yet.
        only_list = ["--dirs", f"--include=/{LIST}", "--exclude=*", f"--max-size={LIST_MAX_BYTES}"]
        go(only_list, far(host), f"{old}/")
        known = read_list((old / LIST).read_bytes()) if (old / LIST).is_file() else set()
        if gone := known - names:
            some(gone, "--delete-missing-args")
        if known != names:
            listed.write_bytes(list_text(names))
            go(_READABLE, str(listed), far(host))
    return SendResult(SendOutcome.SENT, f"published on {host.host}")


def _failure(host: Host, code: int | None, complaint: str) -> SendResult:
    if code is None:
        return SendResult(SendOutcome.NOT_SENT, f"{host.host}: not done within {host.total_timeout_s:g} s")
    words = _IN_WORDS.get(code, f"rsync ended with {code}")
    text = f"{host.host}: {words}" + (f" ({complaint})" if complaint else "")
    return SendResult(SendOutcome.REFUSED if code in _OF_USE else SendOutcome.NOT_SENT, text)


def _run(words: Sequence[str], timeout_s: float) -> tuple[int | None, str]:
    """The exit code (None: it took too long and was ended) and its last complaint."""
    environment = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
    with subprocess.Popen(  # noqa: S603  (a fixed program; the words are checked, and no shell reads them)
        words,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=environment,
        start_new_session=True,
    ) as process:
        tail = bytearray()
        reader = threading.Thread(target=_keep_tail, args=(process, tail), daemon=True)
        reader.start()
        code: int | None
        try:
            code = process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            code = None
        finally:
            _end_all(process.pid)  # its ssh too, which would hold the pipe open
        reader.join(5.0)
    return code, _complaint(bytes(tail).decode(errors="replace"))


def _complaint(said: str) -> str:
    """What matters of what rsync and ssh said, in one line."""
    if "IDENTIFICATION HAS CHANGED" in said:  # ssh says so in a frame of its own; its last line does not
        return KEY_CHANGED
    lines = [line for line in said.splitlines() if line.strip()]
    # rsync's last lines only repeat the exit code; the ones before say why.
    empty = ("rsync error:", "rsync: connection unexpectedly", "(see the rsync")
    told = [line for line in lines if not line.startswith(empty)]
    return one_line((told or lines or [""])[-1])[:160]


def _keep_tail(process: subprocess.Popen[bytes], tail: bytearray) -> None:
    assert process.stderr is not None  # it was asked for
    while chunk := os.read(process.stderr.fileno(), 65536):
        tail += chunk
        del tail[:-_LOUDEST_BYTES]


def _end_all(group: int) -> None:
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return  # all of them had ended
