from __future__ import annotations

import contextlib
import sqlite3
from datetime import timedelta

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Outcome, Visitor
from dooryard.history import annotations as marks
from dooryard.history.database import AnnotationDatabase, OffTime
from dooryard.history.database_steps import STEPS
from dooryard.history.entries import Kind
from dooryard.history.marking import understood
from dooryard.service.activity_log import ActivityLog
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, SQUIRREL

DAY = timedelta(days=1)
GROUPS = {"bird": "bird", "wren": "bird", "squirrel": "squirrel"}


def test_what_words_mean():
    assert understood("nobody", {}, {}).kind is Kind.NOBODY
    assert understood(" Keep ", {}, {}).kind is Kind.KEEP
    assert understood("undo", {}, {}).kind is None
    assert understood("Squirrel", GROUPS, {}).visitor == Visitor("squirrel", 1.0)
    latin = {"wren": "Troglodytes troglodytes"}
    assert understood("Wren", GROUPS, latin).visitor == Visitor("bird", 1.0, "wren", latin["wren"])
    assert understood("Jenny  from next door", GROUPS, {}).visitor == Visitor("", 1.0, "jenny from next door")


@pytest.mark.parametrize("what", ["", "  ", "a\x00b", "x" * 61, "anything", "not sure"])
def test_what_cannot_be_a_name(what):
    with pytest.raises(ValueError, match="name"):
        understood(what, {}, {})


def test_marks_are_made_found_by_any_part_of_the_id_and_taken_back(row):
    [one, two] = row.add((NOON, FINCH, Outcome.TELL), (NOON, BIRD, Outcome.TELL))
    made = marks.make(row.state, one[-6:], "nobody", NOON)
    assert made == marks.Marked(one, "marked: nobody was there; the box had said a house finch, 84 % sure")
    assert marks.make(row.state, two, "wren", NOON, group_of=GROUPS).text.startswith("marked: it was a wren")
    assert marks.make(row.state, one, "keep", NOON).visit == one
    assert marks.kept(row.state) == {one}
    assert marks.make(row.state, one, "undo", NOON).text == "taken back: kept for good"
    assert marks.make(row.state, one, "undo", NOON).text == "taken back: nobody was there"
    with pytest.raises(ConfigError, match="there is no mark"):
        marks.make(row.state, one, "undo", NOON)
    assert marks.kept(row.state) == frozenset()


def test_upkeep_forgets_marks_on_visits_that_are_gone(row):
    [one, two] = row.add((NOON, FINCH, Outcome.TELL), (NOON, BIRD, Outcome.TELL))
    for visit in (one, two):
        marks.make(row.state, visit, "keep", NOON)
    store = row.store()
    store._engine._db.execute("DELETE FROM visits WHERE id = ?", (one,))
    store.close()
    assert marks.upkeep(row.state, 60, NOON) == 1
    assert marks.kept(row.state) == {two}
    assert marks.upkeep(row.state, 60, NOON) == 0


def test_a_visit_that_is_not_there_or_not_one(row):
    [one, two] = row.add((NOON, FINCH, Outcome.TELL), (NOON, SQUIRREL, Outcome.TELL))
    for visit in ("nonsense", "", "019"):
        with pytest.raises(ConfigError, match="there is no visit"):
            marks.make(row.state, visit, "nobody", NOON)
    with pytest.raises(ConfigError, match="fits several visits") as caught:
        marks.make(row.state, one[:6], "nobody", NOON, zone=POLICY.place.zone)
    assert f"{one}: 2026-06-14 12:00:00 BST, a house finch" in caught.value.what
    assert f"{two}: 2026-06-14 12:00:00 BST, a squirrel" in caught.value.what
    with pytest.raises(ConfigError, match=r"11:00:00 UTC"):
        marks.make(row.state, one[:6], "nobody", NOON)


def test_the_last_visit_and_what_is_no_name(row):
    [_, two] = row.add((NOON, FINCH, Outcome.TELL), (NOON, SQUIRREL, Outcome.TELL))
    assert marks.make(row.state, "last", "keep", NOON).visit == two
    for what in ("", "anything"):
        with pytest.raises(ConfigError, match="name"):
            marks.make(row.state, "last", what, NOON)


def test_a_name_that_the_model_does_not_know_is_said_to_be_new(row):
    row.add((NOON, FINCH, Outcome.TELL))
    new = marks.make(row.state, "last", "jenny", NOON, group_of=GROUPS).text
    assert new.startswith("marked: it was a jenny (noted as a new name); ")
    assert "new name" not in marks.make(row.state, "last", "wren", NOON, group_of=GROUPS).text


def test_marks_survive_and_a_newer_database_is_not_touched(row):
    [one] = row.add((NOON, FINCH, Outcome.TELL))
    marks.make(row.state, one, "hide", NOON)
    database = AnnotationDatabase(row.state)
    assert database.said()[one].hide
    database.close()
    with sqlite3.connect(row.state / "journal.sqlite3") as db:
        db.execute("PRAGMA user_version = 9")
    db.close()
    with pytest.raises(StoreError, match="version 9"):
        AnnotationDatabase(row.state)


def test_a_damaged_database_is_said(row):
    row.state.mkdir()
    (row.state / "journal.sqlite3").write_bytes(b"no database at all" * 100)
    with pytest.raises(StoreError, match="start the service again"):
        AnnotationDatabase(row.state)


def test_the_database_keeps_within_bounds(row):
    row.state.mkdir()
    database = AnnotationDatabase(row.state)
    database.mark("a", Kind.KEEP, NOON)
    database.off(NOON, NOON, "heat")  # empty: not written
    database.reading(NOON, "cpu", 50.0)
    database.held(NOON.date(), "sway")
    database.held(NOON.date(), "sway", 4)
    assert database.held_on(NOON.date()) == [("sway", 5)]
    assert database.off_times(NOON.replace(hour=0), NOON.replace(hour=23)) == []
    database.forget_before(NOON.replace(day=15), ["a"])
    assert database.marks() == []
    assert database.warmth(NOON.replace(hour=0), NOON.replace(hour=23)) == []
    assert database.held_on(NOON.date()) == []
    database.close()


def test_what_the_box_noted_before_a_clock_went_wrong_stays(row):
    row.add((NOON, FINCH, Outcome.TELL))
    with contextlib.closing(AnnotationDatabase(row.state)) as database:
        database.reading(NOON, "enclosure", 20.0)
    marks.upkeep(row.state, 60, NOON.replace(year=2027))  # the clock stepped by a year
    with contextlib.closing(AnnotationDatabase(row.state)) as database:
        assert database.warmth(NOON, NOON + DAY)
    row.add((NOON + 61 * DAY, FINCH, Outcome.TELL))
    marks.upkeep(row.state, 60, NOON + 61 * DAY)
    with contextlib.closing(AnnotationDatabase(row.state)) as database:
        assert not database.warmth(NOON, NOON + DAY)


def test_a_time_off_that_goes_on_is_off_until_now(tmp_path):
    day = (NOON.replace(hour=0), NOON.replace(hour=0) + DAY)
    with contextlib.closing(AnnotationDatabase(tmp_path)) as database:
        database.off_since(NOON, "heat")
        assert database.off_times(day[0], NOON) == []
        [off] = database.off_times(*day)
        assert (off.start, off.end, off.reason, off.running) == (NOON, day[1], "heat", True)
        database.off_over(NOON + DAY / 24)
        assert database.off_times(*day) == [OffTime(NOON, NOON + DAY / 24, "heat")]
        database.off_over(NOON + DAY / 2)  # none goes on: nothing is written
        database.off_since(NOON + DAY / 4, "the camera was lost")
        database.off_over(NOON + DAY / 4, DAY / 24)
        assert len(database.off_times(*day)) == 1


def test_a_database_of_the_first_version_is_brought_up_to_date(tmp_path):
    with contextlib.closing(sqlite3.connect(tmp_path / "journal.sqlite3")) as db, db:
        for statement in STEPS[0]:
            db.execute(statement)
        db.execute("INSERT INTO off_times VALUES (1, '2026-06-14T11:00:00.000000+00:00',"
                   " '2026-06-14T12:00:00.000000+00:00', 'heat')")  # fmt: skip
        db.execute("PRAGMA user_version = 1")
    with contextlib.closing(AnnotationDatabase(tmp_path)) as database:
        assert [each.reason for each in database.off_times(NOON - DAY, NOON + DAY)] == ["heat"]
        database.off_since(NOON + DAY / 12, "heat")
        assert len(database.off_times(NOON - DAY, NOON + DAY)) == 2


def test_a_run_that_ended_while_it_was_off_was_off_until_its_end(tmp_path):
    clock = FakeClock(NOON)
    with contextlib.closing(ActivityLog(tmp_path)) as activity_log:
        activity_log.off(clock.now(), "heat")
    with (
        contextlib.closing(ActivityLog(tmp_path)) as activity_log,
        contextlib.closing(AnnotationDatabase(tmp_path)) as database,
    ):
        clock.advance(7200)
        activity_log.began(clock.now(), NOON + DAY / 24, None, POLICY)
        found = [(each.start, each.end, each.reason) for each in database.off_times(NOON - DAY, NOON + DAY)]
    assert found == [(NOON, NOON + DAY / 24, "heat"), (NOON + DAY / 24, NOON + DAY / 12, "the box was off")]


def test_a_box_that_never_ran_is_told_so_and_not_of_damage(tmp_path):
    with pytest.raises(StoreError, match="this box has not run yet"):
        AnnotationDatabase(tmp_path / "state")
    assert not (tmp_path / "state").exists()
