"""The whole product, frame by frame, with a scripted classifier and no world around it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from dooryard import pipeline
from dooryard.core.effects import ClassifyRequest, Nobody, Record, Rest, Update
from dooryard.core.records import Outcome
from dooryard.tracking.visits import VisitsState
from fakes.afternoon import BIRD, EMPTY, POLICY, Afternoon, conditions
from helpers import frame, moment, sighting


@pytest.fixture
def quiet_view():
    return Afternoon(conditions()).play(20, EMPTY)


def test_an_empty_view_asks_for_nothing(quiet_view):
    assert quiet_view.effects == []


def test_a_bird_that_lands_is_told_while_it_sits(quiet_view):
    landed = quiet_view.t
    quiet_view.play(8, BIRD).play(10, EMPTY)
    (record,) = quiet_view.of(Record)
    told_at = next(t for t, effect in quiet_view.effects if isinstance(effect, Record))
    assert record.decision.outcome is Outcome.TELL
    assert record.decision.sinks == ("phone",)
    assert landed < told_at < landed + 5
    (update,) = quiet_view.of(Update)
    assert update.visit.id == record.visit.id
    assert update.visit.end is not None
    assert update.visit.stay_s > 5


def test_the_same_place_is_not_looked_at_on_every_frame(quiet_view):
    quiet_view.play(8, BIRD)
    times = [t for t, effect in quiet_view.effects if isinstance(effect, ClassifyRequest)]
    assert len(times) >= 5
    assert min(b - a for a, b in itertools.pairwise(times)) >= 0.8 - 1e-6


def test_the_second_bird_meets_the_cooldown_and_is_stored_with_its_reason(quiet_view):
    quiet_view.play(8, BIRD).play(10, EMPTY).play(8, BIRD).play(10, EMPTY)
    first, second = quiet_view.of(Record)
    assert first.decision.outcome is Outcome.TELL
    assert second.decision.outcome is Outcome.SILENT
    assert "cooldown" in second.decision.reason


def test_a_visit_silent_at_first_is_told_when_it_outlasts_its_cooldown(quiet_view):
    quiet_view.rules = conditions(POLICY.replace("cooldown_min = 4", "cooldown_min = 0.5"))
    quiet_view.play(5, BIRD).play(10, EMPTY).play(40, BIRD)
    assert [record.decision.outcome for record in quiet_view.of(Record)] == [Outcome.TELL, Outcome.TELL]


def test_what_moved_and_was_nobody_is_no_visit(quiet_view):
    quiet_view.who = ("bird", 0.02)
    quiet_view.play(8, BIRD).play(10, EMPTY)
    assert quiet_view.of(Record) == []
    assert quiet_view.of(ClassifyRequest)


def test_one_doubtful_look_comes_to_nothing_and_says_so(quiet_view):
    quiet_view.who = ("bird", 0.5)
    quiet_view.play(1.0, BIRD)
    quiet_view.who = ("bird", 0.0)
    quiet_view.play(10, EMPTY)
    assert quiet_view.of(Record) == []
    assert len(quiet_view.of(Nobody)) == 1


def test_quiet_hours_hold_the_alert_for_the_summary(quiet_view):
    quiet = POLICY + '[hours]\nquiet = [{ from = "13:30", to = "15:00" }]\n'
    quiet_view.rules = conditions(quiet)
    quiet_view.play(8, BIRD)
    (record,) = quiet_view.of(Record)
    assert record.decision.outcome is Outcome.HOLD


def test_outside_the_watch_hours_the_camera_rests_and_visits_are_brought_to_an_end():
    # The first frame is taken at 14:00:00 in London; the window closes a minute later.
    watch = POLICY + '[hours]\nwatch = { from = "09:00", to = "14:01" }\n'
    afternoon = Afternoon(conditions(watch)).play(52, EMPTY).play(20, BIRD)
    kinds = [type(effect) for _, effect in afternoon.effects if not isinstance(effect, ClassifyRequest)]
    assert kinds == [Record, Update, Rest]
    assert afternoon.of(Rest) == [Rest(resting=True)]
    assert not afternoon.state.watching
    assert all(t <= 60.0 for t, effect in afternoon.effects if isinstance(effect, ClassifyRequest))


def test_time_passes_without_frames_too(quiet_view):
    quiet_view.play(5, BIRD).play(10, None)
    assert len(quiet_view.of(Update)) == 1


def test_finish_decides_on_what_lasts(quiet_view):
    quiet_view.play(1.0, BIRD)
    assert quiet_view.of(Record) == []
    _, effects = pipeline.finish(quiet_view.state, quiet_view.rules, moment(quiet_view.t))
    assert [type(effect) for effect in effects] == [Record]


def test_the_same_frames_give_the_same_effects():
    runs = [Afternoon(conditions()).play(20, EMPTY).play(8, BIRD).play(8, EMPTY) for _ in range(2)]
    shown = [[(t, type(e), getattr(e, "decision", None)) for t, e in run.effects] for run in runs]
    assert shown[0] == shown[1]


def test_an_old_state_can_be_gone_on_from(quiet_view):
    before = quiet_view.state
    once = pipeline.step(before, frame(999, quiet_view.t, BIRD), quiet_view.rules, moment(quiet_view.t))
    again = pipeline.step(before, frame(999, quiet_view.t, BIRD), quiet_view.rules, moment(quiet_view.t))
    assert len(once[1]) == len(again[1])


def test_a_doubtful_look_teaches_the_gate_nothing_and_a_clear_one_does(quiet_view):
    quiet_view.play(1.0, BIRD)
    state, box = quiet_view.state, quiet_view.of(ClassifyRequest)[0].boxes[0]
    now = moment(quiet_view.t)
    apart = replace(state, visits=VisitsState(b"s"))
    for p, taught in ((0.25, False), (0.02, True), (0.9, True)):
        seen = replace(sighting(quiet_view.t, p=p), box=box)
        after, _ = pipeline.looked(apart, (box,), (seen,), quiet_view.rules, now)
        assert (after.gate is not apart.gate) == taught
