"""OpenSSH on loopback, and what a key may do there: a shell, `rrsync`, or a host that lacks something.

It wants no rights: who runs it logs in to themselves. Sources: sshd_config(5), sshd(8) on authorized_keys.
"""

from __future__ import annotations

import contextlib
import getpass
import os
import shlex
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from dooryard.sinks.remote import Host
from peer_trials.case import NotTriedError
from peer_trials.process import NOBODY, folder, free_port, is_root, program, running

RUN = 'eval "$SSH_ORIGINAL_COMMAND"'  # what the client asked for


@dataclass
class OpenSsh:
    """`host` logs in with a key that may do anything; `end` stops the server."""

    host: Host
    place: Path
    end: Callable[[], None]

    @contextmanager
    def key_may(self, command: str | None) -> Iterator[None]:
        """Let the key do nothing but `command` (None: anything) while the block lasts."""
        authorized = self.place / "authorized"
        before = authorized.read_text()
        public = (self.place / "box.pub").read_text()
        words = "" if command is None else 'command="' + command.replace('"', '\\"') + '",restrict '
        authorized.write_text(words + public)
        try:
            yield
        finally:
            authorized.write_text(before)


def key(path: Path) -> str:
    """Make a key pair; its public half."""
    maker = program("ssh-keygen", "openssh-client")
    subprocess.run([maker, "-q", "-t", "ed25519", "-N", "", "-f", path], check=True)
    return path.with_name(f"{path.name}.pub").read_text().strip()


@contextmanager
def openssh() -> Iterator[OpenSsh]:
    """Runs while the block lasts. Raises `NotTriedError` where it cannot."""
    sshd = program("sshd", "openssh-server")
    for name, package in (("ssh", "openssh-client"), ("rsync", "rsync")):
        program(name, package)
    if is_root():
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # it wants an empty folder of root's
    with folder("ssh") as place:
        its_own, port = key(place / "its_own"), free_port()
        (place / "authorized").write_text(key(place / "box") + "\n")
        known = place / "known_hosts"
        known.write_text(f"[127.0.0.1]:{port} {' '.join(its_own.split()[:2])}\n")
        settings = place / "sshd_config"
        settings.write_text(
            f"Port {port}\nListenAddress 127.0.0.1\nHostKey {place / 'its_own'}\nPidFile none\n"
            f"AuthorizedKeysFile {place / 'authorized'}\nStrictModes no\nUsePAM no\nMaxStartups 100\n"
            "PasswordAuthentication no\nKbdInteractiveAuthentication no\nPermitRootLogin prohibit-password\n"
        )
        host = Host("127.0.0.1", getpass.getuser(), str(place / "web"), place / "box", known, port=port)
        with running([sshd, "-D", "-e", "-f", str(settings)], [port], place / "log") as end:
            yield OpenSsh(host, place, end)


def as_nobody() -> str:
    """The client's command as a user without rights; as whoever runs this if that is no root."""
    if not is_root():
        return RUN
    words = [program("setpriv", "util-linux"), f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
    return f'{shlex.join(words)} sh -c "$SSH_ORIGINAL_COMMAND"'


def on_a_disk(target: Path, options: str) -> str:
    """The client's command with a disk of its own at `target`, mounted with `options`; only it sees that."""
    unshare = program("unshare", "util-linux")
    mount = f"mount -t tmpfs -o {options} none {shlex.quote(str(target))}"
    tried = subprocess.run([unshare, "-rm", "sh", "-c", mount], capture_output=True, check=False)
    if tried.returncode != 0:
        raise NotTriedError("no disk can be mounted here (user namespaces are off)")
    return f"{unshare} -rm sh -c '{mount} && exec sh -c \"$SSH_ORIGINAL_COMMAND\"'"


def rrsync(*words: str) -> str:
    """The restriction that rsync itself brings."""
    return shlex.join([program("rrsync", "rsync"), *words])


@contextmanager
def never_answers() -> Iterator[int]:
    """A port that takes connections and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        yield int(silent.getsockname()[1])


@contextmanager
def without_rights() -> Iterator[None]:
    """As a user without rights while the block lasts, if this process is root's."""
    if not is_root():
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            os.seteuid(0)


def at_port(host: Host, port: int) -> Host:
    """`host` at another port, known by the same key."""
    known = host.known_hosts.with_name(f"known_at_{port}")
    known.write_text(host.known_hosts.read_text().replace(f":{host.port} ", f":{port} "))
    return replace(host, port=port, known_hosts=known)
