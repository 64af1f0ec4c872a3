"""Somebody tidies up while the service runs: its files are deleted, or others put in their place."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.errors import AlreadyRunningError
from dooryard.history.database import AnnotationDatabase
from dooryard.history.entries import Kind
from dooryard.outbox.store import Store
from unit.outbox.builders import JPEG, MONO_S, START, alert, at, decision, visit

CLOCK = FakeClock(START, MONO_S)


def stored(store, number):
    one = visit(number)
    return store.record_visit(one, JPEG, decision(one), [alert(number, one)])


GONE = {"all three": ("", "-wal", "-shm"), "the file": ("",), "the log": ("-wal",), "the whole folder": ()}


@pytest.mark.parametrize("gone", GONE)
def test_a_deleted_database_is_written_again_without_a_loss(tmp_path, gone):
    folder = tmp_path / "state"
    with closing(Store.open(folder, CLOCK)) as store:
        for number in range(5):
            stored(store, number)
        store.save_state("gate", b"learned")
        store.look_after_file()
        assert store.news() == []
        if gone == "the whole folder":
            shutil.rmtree(folder)
        for suffix in GONE[gone]:
            (folder / f"dooryard.sqlite3{suffix}").unlink()
        if GONE[gone]:
            stored(store, 5)  # before it is noticed
        store.look_after_file()
        [said] = store.news()
        assert "was deleted or replaced while it was open: it is rewritten, nothing is lost" in said
        stored(store, 6)
        store.look_after_file()
        assert store.news() == []
        with pytest.raises(AlreadyRunningError):
            Store.open(folder, CLOCK)
    with closing(Store.open(folder, CLOCK)) as store:
        assert len(store.visits_between(START, at(10**6).wall)) == 6 + bool(GONE[gone])
        assert store.load_state("gate") == b"learned"
        assert len(store.pending("phone")) == 6 + bool(GONE[gone])


def test_what_was_put_in_its_place_is_kept(tmp_path):
    with closing(Store.open(tmp_path, CLOCK)) as store:
        stored(store, 1)
        (tmp_path / "copy").write_bytes(b"a copy from the laptop")
        (tmp_path / "copy").replace(tmp_path / "dooryard.sqlite3")
        store.look_after_file()
        [said] = store.news()
    [kept] = tmp_path.glob("dooryard-found-*.sqlite3")
    assert kept.name in said
    assert kept.read_bytes() == b"a copy from the laptop"
    with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3")) as db:
        assert db.execute("SELECT COUNT(*) FROM visits").fetchone() == (1,)


def test_deleted_notes_are_written_again(tmp_path):
    with closing(AnnotationDatabase(tmp_path)) as database:
        database.mark("visit 1", Kind.HIDE, START)
        database.look_after_file(START)
        assert database.damages == []
        for path in tmp_path.glob("journal.sqlite3*"):
            path.unlink()
        database.look_after_file(START)
        assert ["journal.sqlite3 was deleted" in text for text in database.damages] == [True]
        database.mark("visit 2", Kind.HIDE, START)
    with closing(AnnotationDatabase(tmp_path)) as database:
        assert len(database.marks()) == 2
