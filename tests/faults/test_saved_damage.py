"""What a failing card does to what was saved: the next start goes on, says so, and uses nothing damaged.

The long form of the first three is `tools/attack saved`; the damage is chance, and the seed is fixed.
"""

from __future__ import annotations

import io
import sqlite3
from contextlib import closing

import pytest

from attacks import saved
from dooryard.cli.explain import why
from dooryard.cli.gate_report import gate_report
from dooryard.cli.outbox import listing
from dooryard.core.clock import FakeClock
from dooryard.core.errors import StoreError
from dooryard.core.records import Visitor
from dooryard.history.database import AnnotationDatabase
from dooryard.history.entries import Kind
from dooryard.history.reader import Reader
from dooryard.outbox import schema
from dooryard.outbox.store import Store

CLOCK = FakeClock(saved.NOON)


def test_whatever_a_saved_state_has_become_the_start_goes_on(tmp_path):
    for outcome in saved.states(tmp_path, 6):
        assert outcome.failures == [], outcome.name
        assert outcome.tried == 6


def test_damaged_features_of_taught_birds_are_not_used():
    assert saved.taught_birds(300).failures == []


def test_whatever_the_journals_notes_have_become_they_are_opened(tmp_path):
    assert saved.databases(tmp_path, 40).failures == []


def test_a_damaged_state_is_kept_aside_and_told_once(tmp_path):
    with closing(Store.open(tmp_path, CLOCK)) as store:
        store.save_states({"gate": b"what the gate learned", "policy": b"{}"})
    with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3")) as db, db:
        db.execute("UPDATE states SET data = CAST('what the gate learneD' AS BLOB) WHERE name = 'gate'")
    with closing(Store.open(tmp_path, CLOCK)) as store:
        assert store.news() == ["what was saved as 'gate' is damaged: it is set aside, and started over"]
        assert store.news() == []
        assert store.load_state("gate") is None
        assert store.load_state("policy") == b"{}"
        store.save_state("gate", b"again")
    with closing(Store.open(tmp_path, CLOCK)) as store:
        assert store.news() == []
        assert store.load_state("gate") == b"again"
    with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3")) as db:
        kept = db.execute("SELECT data FROM states WHERE name = 'damaged gate'").fetchone()
    assert kept == (b"what the gate learneD",)


def test_a_state_that_is_damaged_while_it_runs_is_not_used_either(tmp_path):
    with closing(Store.open(tmp_path, CLOCK)) as store:
        store.save_state("last_summary", b"2026-06-14T12:00:00+00:00")
        with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3")) as db, db:
            db.execute("UPDATE states SET data = x'00'")
        assert store.load_state("last_summary") is None
        assert len(store.news()) == 1


def test_states_of_the_version_before_are_taken_over(tmp_path):
    """The first version kept no digest; what it has saved is the owner's, and stays."""
    with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3", isolation_level=None)) as db:
        schema.prepare(db)
        schema.migrate(db, schema.STEPS[:1])
        db.execute("INSERT INTO states VALUES ('gate', x'010203', '2026-06-14T12:00:00.000000+00:00')")
    with closing(Store.open(tmp_path, CLOCK)) as store:
        assert store.damages == []
        assert store.load_state("gate") == b"\1\2\3"


def test_marks_are_saved_from_damaged_notes(tmp_path):
    with closing(AnnotationDatabase(tmp_path)) as database:
        for number in range(200):
            database.mark(f"visit {number}", Kind.NAME, saved.NOON, Visitor("bird", 1.0, "robin"))
        database.undo("visit 3")
    path = tmp_path / "journal.sqlite3"
    data = bytearray(path.read_bytes())
    middle = len(data) // 2 // 4096 * 4096
    data[middle : middle + 4096] = bytes(4096)  # one page of the file, in the middle of the marks
    path.write_bytes(data)
    with closing(AnnotationDatabase(tmp_path, mend=True)) as database:
        marks = database.marks()
        assert 50 < len(marks) < 200
        assert 4 not in {mark.seq for mark in marks}  # what was taken back stays so
        assert [text for text in database.damages if f"started over with {len(marks) + 1} marks" in text]
    assert len(list(tmp_path.glob("journal-damaged-*.sqlite3"))) == 1
    with closing(AnnotationDatabase(tmp_path, mend=True)) as database:
        assert database.damages == []


def test_notes_are_mended_by_the_service_alone(tmp_path):
    """Another process may have the file open: a command says what to do, and leaves it where it is."""
    (tmp_path / "journal.sqlite3").write_bytes(b"junk" * 5000)
    with pytest.raises(StoreError, match="start the service again"):
        AnnotationDatabase(tmp_path)
    assert (tmp_path / "journal.sqlite3").read_bytes() == b"junk" * 5000


def test_every_command_refuses_the_database_of_a_newer_program(tmp_path, capsys):
    Store.open(tmp_path, CLOCK).close()
    with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3")) as db:
        db.execute("PRAGMA user_version = 99")
    for command in (
        lambda: why(tmp_path, "last", None),
        lambda: gate_report(tmp_path, (240, 320), None, None),
        lambda: Reader(tmp_path, {}),  # the journal, its export and its server
        lambda: listing(tmp_path, io.StringIO()),
        lambda: Store.open(tmp_path, CLOCK),
    ):
        with pytest.raises(StoreError, match=r"version 99.*\n.*install the newer program again"):
            command()
