"""The journal to a web host, by the real rsync over the real ssh to an OpenSSH server on loopback."""

from __future__ import annotations

import contextlib
import getpass
import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from dooryard.sinks.base import Answer, Fate
from dooryard.sinks.publish import PublishSink
from dooryard.sinks.remote import Host
from unit.outbox.builders import alert

SSHD = shutil.which("sshd", path=f"{os.environ['PATH']}:/usr/sbin")
pytestmark = pytest.mark.skipif(
    SSHD is None or shutil.which("ssh") is None or shutil.which("rsync") is None,
    reason="rsync, ssh or sshd is not installed (Debian: apt install rsync openssh-server)",
)
TOLD = alert(1, kind="journal")
TURNS = 200  # of a tenth of a second


def key(path: Path) -> str:
    """Make a key pair; its public half."""
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", path], check=True)
    return path.with_name(f"{path.name}.pub").read_text().strip()


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass
class Server:
    """Runs until its `process` is ended."""

    process: subprocess.Popen[bytes]
    host: Host

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(10)


def answers(port: int, process: subprocess.Popen[bytes]) -> bool:
    for _ in range(TURNS):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.1) as one:
            return one.recv(4) == b"SSH-"
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.1)
            return False
    return False


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """A server that knows one key, for whoever runs this."""
    if os.geteuid() == 0:
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # it wants an empty folder of root's
    its_own, port = key(tmp_path / "its_own"), free_port()
    (tmp_path / "authorized").write_text(key(tmp_path / "box") + "\n")
    known = tmp_path / "known_hosts"
    known.write_text(f"[127.0.0.1]:{port} {' '.join(its_own.split()[:2])}\n")
    log, settings = tmp_path / "sshd.log", tmp_path / "sshd_config"
    settings.write_text(
        f"Port {port}\nListenAddress 127.0.0.1\nHostKey {tmp_path / 'its_own'}\nPidFile none\n"
        f"AuthorizedKeysFile {tmp_path / 'authorized'}\nStrictModes no\nUsePAM no\n"
        "PasswordAuthentication no\nKbdInteractiveAuthentication no\nPermitRootLogin prohibit-password\n"
    )
    assert SSHD is not None
    process = subprocess.Popen([SSHD, "-D", "-f", settings, "-E", log])
    try:
        if not answers(port, process):
            pytest.skip(f"the OpenSSH server does not start here: {log.read_text() if log.exists() else ''}")
        far = str(tmp_path / "far away")
        yield Server(process, Host("127.0.0.1", getpass.getuser(), far, tmp_path / "box", known, port=port))
    finally:
        process.terminate()
        process.wait(10)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    folder = tmp_path / "journal"
    (folder / "day").mkdir(parents=True)
    (folder / "index.html").write_text("<p>Alder Row</p>")
    (folder / "day/a wren's picture.jpg").write_bytes(bytes(300_000))
    return folder


def files(folder: Path | str) -> dict[str, bytes]:
    folder = Path(folder)
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_it_arrives_and_what_has_changed_arrives_again(server: Server, journal: Path) -> None:
    sink = PublishSink("web", journal, replace(server.host, remove_gone=True))
    assert sink.send(TOLD, None) == Answer(Fate.SENT, "published on 127.0.0.1")
    assert files(server.host.folder) == files(journal)
    (journal / "index.html").write_text("<p>Alder Row, changed</p>")
    (journal / "day/a wren's picture.jpg").unlink()
    assert sink.send(TOLD, None).fate is Fate.SENT
    assert files(server.host.folder) == files(journal)


def test_a_key_that_the_host_does_not_know(server: Server, journal: Path, tmp_path: Path) -> None:
    key(tmp_path / "another")
    answer = PublishSink("web", journal, replace(server.host, key=tmp_path / "another")).send(TOLD, None)
    assert answer.fate is Fate.NOT_SENT
    assert "Permission denied (publickey)" in answer.text
    assert files(server.host.folder) == {}


def test_a_host_that_is_not_the_one_that_was_written_down(
    server: Server, journal: Path, tmp_path: Path
) -> None:
    of_another = " ".join(key(tmp_path / "another").split()[:2])
    known = tmp_path / "others"
    known.write_text(f"[127.0.0.1]:{server.host.port} {of_another}\n")
    answer = PublishSink("web", journal, replace(server.host, known_hosts=known)).send(TOLD, None)
    assert answer.fate is Fate.NOT_SENT
    assert "Host key verification failed" in answer.text
    assert files(server.host.folder) == {}


def test_a_host_that_is_away(server: Server, journal: Path) -> None:
    sink = PublishSink("web", journal, server.host)
    server.end()
    answer = sink.send(TOLD, None)
    assert answer.fate is Fate.NOT_SENT
    assert "Connection refused" in answer.text
