"""The survey's words on the state folder and the database in it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.outbox.own import DATABASE
from dooryard.outbox.store import Store
from dooryard.survey.lines import Finding, Verdict
from dooryard.survey.machine import disk_lines, permission_lines
from dooryard.survey.store import store_lines

GOOD, LOOK, BAD = Verdict.GOOD, Verdict.LOOK, Verdict.BAD


def verdicts(lines: Sequence[Finding]) -> list[Verdict]:
    return [line.verdict for line in lines]


def test_a_state_folder_that_is_not_there_or_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (line,) = permission_lines(tmp_path, tmp_path / "a" / "state")
    assert (line.verdict, line.text.split(" and ")[0]) == (GOOD, f"may make {tmp_path}/a/state")
    file = tmp_path / "file"
    file.write_text("")
    (line,) = permission_lines(tmp_path, file / "state")
    assert (line.verdict, line.text) == (BAD, f"{file} is a file, no folder")
    assert permission_lines(tmp_path, file)[0].verdict is BAD
    (line,) = disk_lines(file, SystemClock(), needs_mb=1.0)
    assert (line.verdict, line.text) == (BAD, f"{file}, where the data is to go, is a file")
    monkeypatch.setattr(os, "access", lambda path, _mode: path != tmp_path)  # root may do anything
    (line,) = permission_lines(tmp_path, tmp_path / "state")
    assert (line.verdict, line.text) == (BAD, f"may not make {tmp_path}/state in {tmp_path}")


def test_the_store(tmp_path: Path):
    path = tmp_path / DATABASE
    assert store_lines(tmp_path) == []
    Store.open(tmp_path, FakeClock()).close()
    assert verdicts(store_lines(tmp_path)) == [GOOD]
    whole = path.read_bytes()
    path.write_bytes(b"gibberish" * 1000)
    (line,) = store_lines(tmp_path)
    assert (line.verdict, line.text) == (BAD, f"{path} is damaged: file is not a database")
    pages = len(whole) // 4096
    path.write_bytes(whole[:4096] + b"\xff" * 4096 * (pages - 1))  # its head is whole, its tables are not
    assert (pages > 1, verdicts(store_lines(tmp_path))) == (True, [BAD])
    path.unlink()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    (line,) = store_lines(tmp_path)
    assert (line.verdict, "newer program" in line.text) == (BAD, True)
    path.unlink()
    path.mkdir()
    assert verdicts(store_lines(tmp_path)) == [LOOK]
