"""The journal in a folder, and on a host by the real rsync with a program in the place of ssh."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from dooryard.core.errors import SinkError
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.mirror import mirror
from dooryard.sinks.pages import LIST
from dooryard.sinks.publish import PublishSink
from dooryard.sinks.remedies import remedy_for
from dooryard.sinks.remote import Host, command, far
from unit.outbox.builders import Killed, StepDisk, alert

TOLD = alert(1, kind="journal")
needs_rsync = pytest.mark.skipif(shutil.which("rsync") is None, reason="the program rsync is not installed")


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    folder = tmp_path / "journal"
    for name, text in {
        "index.html": "<p>Alder Row</p>",
        "2026/06/14/index.html": "<p>Sunday</p>",
        "2026/06/14/a wren's picture.jpg": "picture",
        "style.css": "p {}",
        "style.css.tmp": "half",
    }.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    (folder / "link.html").symlink_to("index.html")
    return folder


def files(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): path.read_text()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != LIST
    }


def published(journal: Path) -> dict[str, str]:
    return {name: text for name, text in files(journal).items() if name not in {"style.css.tmp", "link.html"}}


# --- to a folder ---


def test_a_folder_gets_what_is_new_and_keeps_what_was_there(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "web" / "garden"
    sink = PublishSink("web", journal, target)
    assert sink.send(TOLD, b"x") == SendResult(SendOutcome.SENT, "4 of 4 files were new, 0 removed")
    assert files(target) == published(journal)
    (target / "their own.html").write_text("mine")
    (journal / "index.html").write_text("<p>Alder Row, changed</p>")
    (journal / "style.css").unlink()
    assert sink.send(TOLD, None).text == "1 of 3 files were new, 0 removed"
    assert files(target) == published(journal) | {"their own.html": "mine", "style.css": "p {}"}


def test_what_is_gone_is_removed_if_wanted_but_never_what_others_put_there(
    journal: Path, tmp_path: Path
) -> None:
    target = tmp_path / "web"
    sink = PublishSink("web", journal, target, remove_gone=True)
    sink.send(TOLD, None)
    (target / "their own.html").write_text("mine")
    (journal / "style.css").unlink()
    assert sink.send(TOLD, None).text == "0 of 3 files were new, 1 removed"
    assert files(target) == published(journal) | {"their own.html": "mine"}


def test_a_list_that_was_meddled_with_leads_nowhere_else(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "web"
    target.mkdir()
    (tmp_path / "precious").write_text("stay")
    (target / LIST).write_text(f"../precious\n{tmp_path}/precious\n")
    PublishSink("web", journal, target, remove_gone=True).send(TOLD, None)
    assert (tmp_path / "precious").read_text() == "stay"


def test_killed_at_every_step_each_file_is_whole_and_the_next_round_completes_it(
    journal: Path, tmp_path: Path
) -> None:
    number, done = 0, False
    while not done:
        disk, target = StepDisk(), tmp_path / "web" / str(number)
        disk.arm(number)
        try:
            mirror(journal, target, disk, remove_gone=True)
            done = True
        except Killed:
            pass
        there = files(target) if target.exists() else {}
        assert all(published(journal)[name] == text for name, text in there.items() if ".tmp" not in name)
        if "index.html" in there:  # a page comes after the picture it shows
            assert "2026/06/14/a wren's picture.jpg" in there
        PublishSink("web", journal, target, remove_gone=True).send(TOLD, None)
        assert {n: t for n, t in files(target).items() if ".tmp" not in n} == published(journal)
        number += 1
    assert number > 20


def test_a_full_disk_is_not_sent(journal: Path, tmp_path: Path) -> None:
    disk = StepDisk()
    disk.arm(9, lambda: OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
    answer = PublishSink("web", journal, tmp_path / "web", disk=disk).send(TOLD, None)
    assert answer.outcome is SendOutcome.NOT_SENT
    assert "no space left on device" in answer.text


def test_before_the_journal_is_built_it_waits(tmp_path: Path) -> None:
    answer = PublishSink("web", tmp_path / "none", tmp_path / "web").send(TOLD, None)
    assert answer == SendResult(SendOutcome.NOT_SENT, "the journal is not built yet")


@pytest.mark.parametrize("target", [".", "journal", "journal/web", "journal/../journal/x"])
def test_folders_within_each_other_are_an_error(journal: Path, tmp_path: Path, target: str) -> None:
    with pytest.raises(SinkError, match="overlap"):
        PublishSink("web", journal, tmp_path / target)


def modes(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): oct(path.stat().st_mode & 0o777) for path in folder.rglob("*")}


def test_all_may_read_what_is_published_whatever_the_journal_allows(journal: Path, tmp_path: Path) -> None:
    for path in journal.rglob("*"):
        if not path.is_symlink():
            path.chmod(0o750 if path.is_dir() else 0o640)
    target = tmp_path / "web" / "garden"
    sink = PublishSink("web", journal, target)
    old = os.umask(0o077)
    try:
        sink.send(TOLD, None)
        wanted = {
            name: "0o755" if (target / name).is_dir() else "0o644" for name in modes(target) if name != LIST
        }
        assert modes(target) == wanted | {LIST: "0o600"}
        assert oct(target.stat().st_mode & 0o777) == "0o755"
        # What an earlier version left closed is opened; the folder itself is its owner's matter.
        (target / "index.html").chmod(0o640)
        (target / "2026/06").chmod(0o750)
        target.chmod(0o711)
        sink.send(TOLD, None)
        assert modes(target) == wanted | {LIST: "0o600"}
        assert oct(target.stat().st_mode & 0o777) == "0o711"
    finally:
        os.umask(old)


def test_a_page_that_somebody_has_there_is_not_replaced(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "web"
    target.mkdir()
    (target / "index.html").write_text("my own page")
    answer = PublishSink("web", journal, target).send(TOLD, None)
    assert answer == SendResult(
        SendOutcome.NOT_SENT, f"{target}: holds files of somebody else, such as index.html"
    )
    assert "name another folder" in (remedy_for(answer) or "")
    assert files(target) == {"index.html": "my own page"}


def test_only_pages_are_published(journal: Path, tmp_path: Path) -> None:
    (journal / ".journal.json").write_text("{}")
    (journal / ".journal.lock").write_text("")
    (journal / ".hidden").mkdir()
    (journal / ".hidden" / "x.html").write_text("x")
    target = tmp_path / "web"
    PublishSink("web", journal, target).send(TOLD, None)
    assert not [path for path in target.rglob(".*") if path.name != LIST]


def test_the_builders_own_files_that_an_earlier_version_published_go(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "web"
    sink = PublishSink("web", journal, target, remove_gone=True)
    sink.send(TOLD, None)
    (target / ".journal.json").write_text("{}")
    (target / LIST).write_text((target / LIST).read_text() + ".journal.json\n")
    assert sink.send(TOLD, None).text == "0 of 4 files were new, 1 removed"


# --- to a host ---


def program(path: Path, text: str) -> str:
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return str(path)


def host(tmp_path: Path, **changes: Any) -> Host:
    for name in ("key", "known hosts"):
        (tmp_path / name).write_text("x")
    fields: dict[str, Any] = {
        "host": "garden.example",
        "user": "wren",
        "folder": str(tmp_path / "far away"),
        "key": tmp_path / "key",
        "known_hosts": tmp_path / "known hosts",
        "port": 2222,
    }
    return Host(**(fields | changes))


# Takes ssh's options off, writes down what it was called with, and runs the far command here.
NEAR = """printf '%s\\n' "$@" > "{folder}/called"
while [ "$1" != garden.example ]; do shift; done
shift
exec sh -c "$*"
"""


@needs_rsync
@pytest.mark.parametrize("remove_gone", [False, True])
def test_a_host_gets_the_journal(journal: Path, tmp_path: Path, remove_gone: bool) -> None:
    ssh = program(tmp_path / "near ssh", NEAR.replace("{folder}", str(tmp_path)))
    target = host(tmp_path, ssh=ssh, remove_gone=remove_gone)
    sink = PublishSink("web", journal, target)
    (journal / "link.html").unlink()
    assert sink.send(TOLD, None) == SendResult(SendOutcome.SENT, "published on garden.example")
    assert files(tmp_path / "far away") == published(journal)
    (journal / "style.css").unlink()
    (journal / "index.html").write_text("<p>changed</p>")
    assert sink.send(TOLD, None).outcome is SendOutcome.SENT
    kept = {} if remove_gone else {"style.css": "p {}"}
    assert files(tmp_path / "far away") == published(journal) | kept
    called = (tmp_path / "called").read_text().splitlines()
    for pair in (
        ["-i", str(tmp_path / "key")],
        ["-o", f'UserKnownHostsFile="{tmp_path / "known hosts"}"'],
        ["-o", "StrictHostKeyChecking=yes"],
        ["-o", "BatchMode=yes"],
        ["-p", "2222"],
        ["-F", "none"],
    ):
        assert pair in [called[at : at + 2] for at in range(len(called))]


@needs_rsync
@pytest.mark.parametrize(
    ("far", "words"),
    [
        ("echo 'wren@garden.example: Permission denied (publickey).' >&2; exit 255", "Permission denied"),
        ("exit 0", "the connection was lost, or the host has no rsync"),
        # On a busy machine rsync sees the connection end before it sees what ssh's exit code was.
        (
            "head -c 300000 /dev/zero | tr '\\0' x >&2; exit 255",
            "ssh could not connect or log in|the connection was lost",
        ),
    ],
)
def test_a_host_that_cannot_be_reached_is_not_sent(
    journal: Path, tmp_path: Path, far: str, words: str
) -> None:
    target = host(tmp_path, ssh=program(tmp_path / "ssh", far))
    answer = PublishSink("web", journal, target).send(TOLD, None)
    assert answer.outcome is SendOutcome.NOT_SENT
    assert any(some in answer.text for some in words.split("|"))
    assert answer.text.startswith("garden.example: ")
    assert len(answer.text) < 300


@pytest.mark.parametrize(("code", "outcome"), [
    (1, SendOutcome.REFUSED), (11, SendOutcome.NOT_SENT), (24, SendOutcome.NOT_SENT),
    (99, SendOutcome.NOT_SENT)])  # fmt: skip
def test_exit_codes(journal: Path, tmp_path: Path, code: int, outcome: SendOutcome) -> None:
    rsync = program(tmp_path / "rsync", f"echo 'rsync error: code {code}' >&2; exit {code}")
    assert PublishSink("web", journal, host(tmp_path, rsync=rsync)).send(TOLD, None).outcome is outcome


def state_of(pid: int) -> str:
    """The letter of proc_pid_stat(5); X for a process that is no more."""
    os.sched_yield()
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return "X"


def test_one_that_hangs_is_ended_with_all_it_started(journal: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "never")
    pids = tmp_path / "pids"
    # A child of its own that holds the error pipe open, too.
    rsync = program(tmp_path / "rsync", f'sh -c \'echo $$ >> "{pids}"; read x < "{tmp_path}/never"\' &\n'
                    f'echo $$ >> "{pids}"; wait')  # fmt: skip
    target = host(tmp_path, rsync=rsync, total_timeout_s=0.5)
    answer = PublishSink("web", journal, target).send(TOLD, None)
    assert answer == SendResult(SendOutcome.NOT_SENT, "garden.example: not done within 0.5 s")
    started = [int(line) for line in pids.read_text().split()]
    assert started
    for pid in started:
        # Gone, or dead and not yet collected by its adoptive parent; on a busy machine dying takes a while.
        assert any(state_of(pid) in "ZX" for _ in range(100_000))


def test_without_the_program_it_is_not_sent(journal: Path, tmp_path: Path) -> None:
    answer = PublishSink("web", journal, host(tmp_path, rsync="/nowhere/rsync")).send(TOLD, None)
    assert answer == SendResult(SendOutcome.NOT_SENT, "the program /nowhere/rsync is not installed")


@pytest.mark.parametrize(
    "changes",
    [
        {"host": "-oProxyCommand=x"},
        {"host": "a b"},
        {"user": "wren@x"},
        {"user": ""},
        {"folder": "--rsync-path=x"},
        {"key": Path("key")},
        {"key": Path("/nowhere/key")},
    ],
)
def test_what_must_not_stand_on_a_command_line_is_an_error(
    journal: Path, tmp_path: Path, changes: dict[str, Any]
) -> None:
    with pytest.raises(SinkError):
        PublishSink("web", journal, host(tmp_path, **changes))


def test_the_command_names_files_only(tmp_path: Path) -> None:
    target = host(tmp_path)
    words = command(target, ["--dirs"], "/srv/journal/", far(target))
    assert words[-3:] == ["--", "/srv/journal/", f"wren@garden.example:{tmp_path}/far away/"]
