"""Marks as the truth of a rehearsal of what the box recorded."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest

from dooryard.core.errors import ConfigError
from dooryard.core.records import Outcome, Visitor
from dooryard.history import annotations as marks
from dooryard.history.entries import Said
from dooryard.rehearse.command import RehearseOptions, rehearse
from dooryard.rehearse.marked import MarkedTimes, marked_times, score_by_marks
from dooryard.rehearse.truth import TrueVisit
from fakes.recordings import write_frame
from fakes.rehearsals import rehearsal, seen
from fakes.rules import START, later
from unit.journal.alder_row import BIRD, FINCH, AlderRow, entry

WREN = Visitor("bird", 1.0, "wren")


def test_marks_say_who_came_and_when_nobody_did():
    at = START.wall
    found = marked_times(
        [
            entry(1, at=at, said=Said(visitor=WREN)),
            entry(2, at=at + timedelta(60), said=Said(nobody=True)),
            entry(3, at=at, said=Said(keep=True)),
            entry(4, at=at, said=Said(nobody=True), clock_set=False),
            entry(5, at=at, said=Said(visitor=Visitor("", 1.0, "jenny"))),
        ]
    )
    end = at + timedelta(seconds=20)
    assert found.visits == (TrueVisit(at, end, "bird", "wren"), TrueVisit(at, end, "", "jenny"))
    assert [start for start, _ in found.empty] == [at + timedelta(60)]


def test_only_marked_times_are_judged():
    marked = MarkedTimes(
        visits=(
            TrueVisit(later(0).wall, later(12).wall, "bird", "wren"),
            TrueVisit(later(100).wall, later(112).wall, "", "jenny"),
        ),
        empty=((later(200).wall, later(212).wall),),
    )
    found = score_by_marks(
        marked,
        rehearsal(
            seen(2, "bird", number=1), seen(101, "cat", number=2), seen(201, number=3), seen(400, number=4)
        ),
    )
    every = found.lines[-1]
    assert (every.noticed.count, every.noticed.total) == (2, 2)
    assert (every.named.count, every.named.total) == (1, 1)  # nobody knows what group jenny is of
    assert (found.false_alerts.count, found.false_alerts.total) == (1, 3)
    assert found.note == "judged by marks: 3 of 4 visits; the others came at times without a mark"
    assert found.false_alerts_per_hour != found.false_alerts_per_hour  # not a number: most hours are unknown


@pytest.fixture
def recorded(tmp_path):
    """A box's recording of five seconds, and its store with a marked visit in that time."""
    for k in range(5):
        write_frame(tmp_path / "frames" / f"{k}.jpg", START.wall + timedelta(seconds=k), size=(160, 120))
    (tmp_path / "box.toml").write_text('state_folder = "state"\n')
    row = AlderRow(tmp_path)
    [one, two] = row.add((START.wall, FINCH, Outcome.TELL), (START.wall, BIRD, Outcome.TELL))
    marks.make(row.state, one, "wren", START.wall, group_of={"wren": "bird"})
    marks.make(row.state, two, "keep", START.wall)
    return tmp_path


def test_the_command_takes_the_marks_of_the_box(recorded):
    out = io.StringIO()
    options = RehearseOptions([str(recorded / "frames")], box=recorded / "box.toml", marks=True)
    assert rehearse(options, out, io.StringIO()) == 0
    assert "wren                    0 of 1 (0 to 79 %)" in out.getvalue()
    assert "judged by marks: 0 of 0 visits" in out.getvalue()
    out = io.StringIO()
    report = RehearseOptions(
        options.recordings, box=options.box, marks=True, report=recorded / "r.html", as_json=True
    )
    assert rehearse(report, out, io.StringIO()) == 0
    assert '"note": "judged by marks' in out.getvalue()
    assert "Judged by marks" in (recorded / "r.html").read_text()


def test_marks_need_a_box_and_no_truth_beside_them(recorded):
    for more in ({}, {"box": recorded / "box.toml", "truth": recorded / "t.csv"}):
        with pytest.raises(ConfigError, match="marks are those of a box"):
            rehearse(
                RehearseOptions([str(recorded / "frames")], marks=True, **more), io.StringIO(), io.StringIO()
            )
