"""A folder brought to a web host by rsync over ssh: another program, started and ended under a deadline.

Exit codes: rsync(1), "EXIT VALUES"; ssh(1) ends with 255 when it cannot connect or log in.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from dooryard.errors import SinkError
from dooryard.sinks.base import Answer, Fate
from dooryard.sinks.letter import one_line

_LOUDEST_BYTES = 4096  # how much of the end of the other program's complaints is kept
_OF_USE = {1, 2, 3, 4}  # how it was called, or what the host's rsync can do: trying again changes nothing
_IN_WORDS = {
    5: "the host did not begin to talk",
    10: "the connection failed",
    11: "a file could not be written: is the host's disk full?",
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


def command(host: Host, source: Path) -> list[str]:
    """What is run: the contents of `source` into the host's folder."""
    options = [
        "-F", "none", "-i", str(host.key), "-p", str(host.port),
        "-o", "IdentitiesOnly=yes", "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=yes",
        # In quotes, as ssh takes a blank here for the end of a name (ssh_config(5)).
        "-o", f'UserKnownHostsFile="{host.known_hosts}"',
        "-o", f"ConnectTimeout={round(host.connect_timeout_s)}",
        "-o", "ServerAliveInterval=15", "-o", "LogLevel=ERROR",
    ]  # fmt: skip
    removing = ["--delete-delay"] if host.remove_gone else []
    return [
        host.rsync, "--recursive", "--times", "--delay-updates", "--secluded-args", "--exclude=*.tmp",
        *removing,
        f"--timeout={max(1, round(host.silence_timeout_s))}", "-e", shlex.join([host.ssh, *options]),
        "--", f"{source}/", f"{host.user}@{host.host}:{host.folder.rstrip('/')}/",
    ]  # fmt: skip


def bring(host: Host, source: Path) -> Answer:
    """Bring `source` to the host. Files that are the same there stay; each changed one is put in place whole.

    Never "maybe sent": to do it again does no harm.
    """
    try:
        code, complaint = _run(command(host, source), host.total_timeout_s)
    except FileNotFoundError:
        return Answer(Fate.NOT_SENT, f"the program {host.rsync} is not installed")
    except OSError as error:
        return Answer(Fate.NOT_SENT, f"{host.rsync} could not be started: {error.strerror}")
    if code == 0:
        return Answer(Fate.SENT, f"published on {host.host}")
    if code is None:
        return Answer(Fate.NOT_SENT, f"{host.host}: not done within {host.total_timeout_s:g} s")
    words = _IN_WORDS.get(code, f"rsync ended with {code}")
    text = f"{host.host}: {words}" + (f" ({complaint})" if complaint else "")
    return Answer(Fate.REFUSED if code in _OF_USE else Fate.NOT_SENT, text)


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
    lines = [line for line in bytes(tail).decode(errors="replace").splitlines() if line.strip()]
    # rsync's last line only repeats the exit code; the one before says why.
    told = [line for line in lines if not line.startswith(("rsync error:", "rsync: connection unexpectedly"))]
    return code, one_line((told or lines or [""])[-1])[:160]


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
