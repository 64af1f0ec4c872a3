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
from dooryard.sinks.pages import LIST
from dooryard.sinks.publish import PublishSink
from dooryard.sinks.remedies import remedy_for
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
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name != LIST
    }


def test_it_arrives_and_what_has_changed_arrives_again(server: Server, journal: Path) -> None:
    sink = PublishSink("web", journal, replace(server.host, remove_gone=True))
    assert sink.send(TOLD, None) == Answer(Fate.SENT, "published on 127.0.0.1")
    assert files(server.host.folder) == files(journal)
    (journal / "index.html").write_text("<p>Alder Row, changed</p>")
    (journal / "day/a wren's picture.jpg").unlink()
    assert sink.send(TOLD, None).fate is Fate.SENT
    assert files(server.host.folder) == files(journal)


def test_a_host_that_was_never_written_down(server: Server, journal: Path, tmp_path: Path) -> None:
    (tmp_path / "nobody").write_text("")
    answer = PublishSink("web", journal, replace(server.host, known_hosts=tmp_path / "nobody")).send(
        TOLD, None
    )
    assert answer.fate is Fate.NOT_SENT
    assert "ssh-keyscan" in (remedy_for(answer) or "")


def restricted(server: Server, tmp_path: Path, *options: str) -> Host:
    """The server lets the key do nothing but this, in a folder of the owner's."""
    own = tmp_path / "own folder"
    own.mkdir()
    (own / "mine.txt").write_text("mine")
    public = (tmp_path / "authorized").read_text()
    words = " ".join(["rrsync", *options, f"'{own}'"])
    (tmp_path / "authorized").write_text(f'command="{words}",restrict {public}')
    return replace(server.host, folder="garden")


@pytest.mark.skipif(shutil.which("rrsync") is None, reason="rrsync is not installed (Debian: rsync 3.2.4 on)")
@pytest.mark.parametrize("remove_gone", [False, True])
def test_a_key_that_may_do_nothing_else(
    server: Server, journal: Path, tmp_path: Path, remove_gone: bool
) -> None:
    host = replace(restricted(server, tmp_path), remove_gone=remove_gone)
    sink = PublishSink("web", journal, host)
    assert sink.send(TOLD, None) == Answer(Fate.SENT, "published on 127.0.0.1")
    there = tmp_path / "own folder" / "garden"
    assert files(there) == files(journal)
    (there / "day" / "theirs.txt").write_text("theirs")
    (journal / "day/a wren's picture.jpg").unlink()
    (journal / "day/another.jpg").write_bytes(b"x")
    assert sink.send(TOLD, None).fate is Fate.SENT
    kept = {} if remove_gone else {"day/a wren's picture.jpg": bytes(300_000)}
    assert files(there) == files(journal) | kept | {"day/theirs.txt": b"theirs"}
    assert (tmp_path / "own folder" / "mine.txt").read_text() == "mine"


@pytest.mark.skipif(shutil.which("rrsync") is None, reason="rrsync is not installed (Debian: rsync 3.2.4 on)")
def test_a_key_that_may_not_read_what_was_published(server: Server, journal: Path, tmp_path: Path) -> None:
    host = restricted(server, tmp_path, "-wo")
    assert PublishSink("web", journal, host).send(TOLD, None).fate is Fate.SENT
    answer = PublishSink("web", journal, replace(host, remove_gone=True)).send(TOLD, None)
    assert answer.fate is Fate.NOT_SENT
    assert "without -wo" in (remedy_for(answer) or "")


def test_what_others_have_there_is_never_removed(server: Server, journal: Path) -> None:
    far = Path(server.host.folder)
    (far / "day").mkdir(parents=True)
    (far / "mine.txt").write_text("mine")
    (far / "day" / "mine.html").write_text("mine")
    sink = PublishSink("web", journal, replace(server.host, remove_gone=True))
    assert sink.send(TOLD, None).fate is Fate.SENT
    (journal / "index.html").unlink()
    assert sink.send(TOLD, None).fate is Fate.SENT
    assert files(far) == files(journal) | {"mine.txt": b"mine", "day/mine.html": b"mine"}


def test_all_may_read_what_is_published_whatever_the_journal_allows(server: Server, journal: Path) -> None:
    for path in [journal, *journal.rglob("*")]:
        path.chmod(0o750 if path.is_dir() else 0o640)
    (journal / ".journal.json").write_text("{}")
    sink = PublishSink("web", journal, server.host)
    assert sink.send(TOLD, None).fate is Fate.SENT
    far = Path(server.host.folder)
    assert not (far / ".journal.json").exists()
    assert {oct(path.stat().st_mode & 0o777) for path in far.rglob("*") if path.is_file()} == {"0o644"}
    assert oct((far / "day").stat().st_mode & 0o777) == "0o755"
    # What an earlier version left closed is opened, though nothing in it has changed.
    (far / "index.html").chmod(0o640)
    (far / "day").chmod(0o750)
    assert sink.send(TOLD, None).fate is Fate.SENT
    assert oct((far / "index.html").stat().st_mode & 0o777) == "0o644"
    assert oct((far / "day").stat().st_mode & 0o777) == "0o755"


# What rsync 3.2 to 3.5 say there.
@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_made(server: Server, journal: Path) -> None:
    answer = PublishSink("web", journal, replace(server.host, folder="/proc/garden")).send(TOLD, None)
    assert "may not write there" in (remedy_for(answer) or "")


def test_a_folder_whose_parent_is_missing(server: Server, journal: Path) -> None:
    far = f"{server.host.folder}/not/there"
    answer = PublishSink("web", journal, replace(server.host, folder=far)).send(TOLD, None)
    assert answer.fate is not Fate.SENT
    assert "make the folder above it" in (remedy_for(answer) or ""), answer


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
    assert "the host's key is not the one in known_hosts" in answer.text
    assert "set up anew" in (remedy_for(answer) or "")
    assert files(server.host.folder) == {}


def test_a_host_that_is_away(server: Server, journal: Path) -> None:
    sink = PublishSink("web", journal, server.host)
    server.end()
    answer = sink.send(TOLD, None)
    assert answer.fate is Fate.NOT_SENT
    assert "Connection refused" in answer.text
