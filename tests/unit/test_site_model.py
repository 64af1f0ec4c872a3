"""What the place teaches: where and when is glanced, what is learned, what a look then weighs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from dooryard import gate, pipeline
from dooryard.core.effects import BackgroundSample, ClassifyRequest
from dooryard.core.records import Box, NegativeSample
from dooryard.gate import GateSettings
from dooryard.health.thermal import Throttle
from dooryard.health.throttle import throttled_conditions
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from dooryard.site import memory, site_model
from dooryard.site.site_model import noted, place_for, restored, sample_box, saved
from dooryard.tracking.visits import VisitSettings, VisitsState
from helpers import frame, moment, sighting

RULES = Conditions(parse_policy("", "p.toml").value, GateSettings(), VisitSettings(), frozenset({"phone"}))
EMPTY = np.random.default_rng(7).integers(90, 110, (120, 160)).astype(np.uint8)
STRANGER = EMPTY.copy()
STRANGER[50:80, 70:95] = 30
NOBODY = np.array([1.0, 0.1, 0.0, 0.0], np.float32)
SOMEBODY = np.array([0.0, 0.1, 1.0, 0.3], np.float32)
CORNER = Box(0.0, 0.0, 0.2, 0.2)


class Watch:
    """Plays frames at 5 a second. What is looked at is somebody with `p`, seen as `features`."""

    def __init__(self, rules=RULES, p=0.5, features=NOBODY):
        self.rules, self.p, self.features, self.t, self.number = rules, p, features, 0.0, 0
        self.state = State(VisitsState(b"s" * 16), PolicyState(), place=place_for("model", 4))
        self.samples, self.looks, self.trials = [], [], np.random.default_rng(3)

    def play(self, seconds, luma=EMPTY):
        for _ in range(round(seconds * 5)):
            shown = frame(self.number, self.t, luma)
            self.state, effects = pipeline.step(self.state, shown, self.rules, moment(self.t))
            for effect in effects:
                if isinstance(effect, BackgroundSample):
                    self.samples.append((self.t, effect.box))
                    self.state = pipeline.sampled(self.state, self.seen(effect.box))
                if isinstance(effect, ClassifyRequest):
                    self.looks += effect.boxes
                    crops = [self.seen(box) for box in effect.boxes]
                    self.state, _more = pipeline.looked(
                        self.state, effect.boxes, crops, self.rules, moment(self.t)
                    )
            self.t, self.number = round(self.t + 0.2, 3), self.number + 1
        return self

    def seen(self, box):
        noise = self.trials.normal(0, 0.02, 4).astype(np.float32)
        return replace(sighting(self.t, "bird", self.p), box=box, features=self.features + noise)


def test_a_quiet_view_is_sampled_every_half_minute_all_round():
    watch = Watch().play(600)
    times = np.diff([t for t, _box in watch.samples])
    assert len(watch.samples) >= 18
    assert (times >= 30 - 1e-6).all()
    parts = {(int(y * 3), int(x * 4)) for _t, box in watch.samples for x, y in [box.centre]}
    assert len(parts) >= 11
    assert watch.state.place.memory.learned == len(watch.samples)


def test_no_background_sample_while_the_gate_still_learns_the_view():
    assert not Watch().play(GateSettings().settle_s - 0.4).samples


def test_no_background_sample_while_a_visit_is_open_and_none_where_something_moved_a_minute_ago():
    watch = Watch(p=0.9, features=SOMEBODY).play(60)
    before = len(watch.samples)
    watch.play(40, STRANGER)
    assert watch.state.visits.tracks
    assert len(watch.samples) == before
    left_s = watch.t
    watch.play(120)
    assert len(watch.samples) > before
    there = watch.looks[-1]
    assert all(t > left_s for t, _box in watch.samples[before:])
    early = [box for t, box in watch.samples[before:] if t < left_s + 50]
    assert not any(box.overlap(there) > 0 for box in early)


def test_where_something_moved_earlier_is_sampled_again():
    known = noted(place_for("model", 4), [CORNER], 100.0)
    view = Watch().play(30).state.gate
    found = []
    for turn in range(6):
        known, box = site_model.background_sample(known, view, GateSettings(), 1000.0 + 30 * turn, 30.0)
        found.append(box)
    assert found[::2] == [CORNER] * 3
    assert CORNER not in found[1::2]


def test_a_place_that_would_not_do_does_not_hold_up_the_next():
    known = noted(place_for("model", 4), [Box(0.0, 0.0, 1.0, 1.0)], 1000.0)
    view = Watch().play(30).state.gate
    known, box = site_model.background_sample(known, view, GateSettings(), 1001.0, 30.0)
    assert box is None
    assert known.samples == 1
    assert known.next_s == pytest.approx(1006.0)


def test_background_samples_are_what_is_throttled_first_and_come_again_after():
    hot = throttled_conditions(RULES, Throttle(look_every_s=2.0))
    watch = Watch(hot).play(120)
    assert not watch.samples
    watch.rules = RULES
    assert watch.play(60).samples


def test_a_background_sample_at_one_who_is_surely_there_teaches_nothing():
    watch = Watch(p=0.99).play(200)
    assert watch.samples
    assert watch.state.place.memory.learned == 0


def test_what_was_learned_as_nobody_weighs_against_somebody_and_what_is_strange_for_it():
    known = Watch(p=0.5).play(1200).state.place
    alike = sighting(0.0, "bird", 0.8)
    (empty,) = site_model.posterior(known, [replace(alike, features=NOBODY)])
    (novelty,) = site_model.posterior(known, [replace(alike, features=SOMEBODY)])
    assert empty.somebody < 0.1
    assert 0.8 < novelty.somebody < 0.98
    assert site_model.posterior(known, [alike]) == (alike,)  # a network without features


def test_the_first_hour_begins_with_the_network_alone():
    fresh = place_for("model", 4)
    seen = replace(sighting(0.0, "bird", 0.8), features=NOBODY)
    assert site_model.posterior(fresh, [seen])[0].groups == seen.groups
    few = site_model.learned(fresh, [NegativeSample(CORNER, NOBODY)] * (memory.LEAST - 1))
    assert site_model.posterior(few, [seen])[0].groups == seen.groups


def test_a_visit_that_came_to_nothing_teaches_its_emptiest_look():
    watch = Watch(p=0.4).play(60)
    before = watch.state.place.memory.learned
    samples = len(watch.samples)
    watch.play(1.2, STRANGER).play(20)
    assert watch.looks
    assert not watch.state.visits.tracks
    assert watch.state.place.memory.learned - before == 1 + len(watch.samples) - samples


def test_a_network_without_features_has_no_place():
    assert place_for("model", 0) is None
    state = State(VisitsState(b"s" * 16), PolicyState())
    seen = sighting(0.0, "bird", 0.3)
    after, _effects = pipeline.looked(state, [seen.box], [seen], RULES, moment(0.0))
    assert after.place is None
    assert pipeline.sampled(state, seen).place is None


@pytest.mark.parametrize("shape", [(120, 160), (240, 320), (480, 640), (480, 480)])
def test_background_samples_lie_within_the_view_and_are_square(shape):
    for number in range(500):
        box = sample_box(number, shape)
        assert 0 <= box.x0 < box.x1 <= 1
        assert 0 <= box.y0 < box.y1 <= 1
        assert math.isclose((box.x1 - box.x0) * shape[1], (box.y1 - box.y0) * shape[0], rel_tol=1e-9)


def test_a_restart_goes_on_with_what_was_learned():
    known = replace(Watch().play(600).state.place, marks_seen=12)
    stored = saved(known)
    again = restored(place_for("model", 4), stored[site_model.PLACE], stored[site_model.MARKS])
    assert again.marks_seen == 12
    assert (again.memory.vectors == known.memory.vectors).all()
    assert (again.memory.residuals == known.memory.residuals).all()
    assert restored(place_for("other model", 4), stored[site_model.PLACE], None) is None
    assert restored(place_for("model", 4), stored[site_model.PLACE][:-9], None) is None


def test_the_gate_learns_from_clear_verdicts_only():
    view = Watch().play(30).state.gate
    box = Box(0.4, 0.4, 0.6, 0.6)

    def after(p, occupied=()):
        looks = [(box, replace(sighting(29.8, "bird", p), box=box))]
        return site_model.gate_taught(
            view, looks, occupied, moment(30.0).mono_s, GateSettings(), VisitSettings()
        )

    assert after(0.25) is view  # in doubt
    assert after(0.05) is not view
    assert after(0.9) is not view
    assert after(0.05, occupied=[box]) is view  # somebody may still stand there
    assert gate.changed_back(after(0.05), box)
