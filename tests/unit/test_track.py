"""The evidence of one visit, at its edges: each number of `VisitSettings` from both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dooryard.core.records import SOMETHING, Box, NegativeSample, Visitor
from dooryard.tracking import track as tracks
from dooryard.tracking.track import Track, VisitSettings
from helpers import moment, sighting

SETTINGS = VisitSettings()
FEATURES = np.arange(4, dtype=np.float32)


def unclassified(t, at=(0.5, 0.5)):
    """What the gate alone has seen."""
    return replace(sighting(t, at=at), groups={}, classified=False)


def track_of(*sightings, settings=SETTINGS):
    track = tracks.opened("a visit", sightings[0], settings)
    for each in sightings[1:]:
        track = tracks.joined_by(track, each, settings)
    return track


def bird_after(stay_s, looks, p=0.9):
    return track_of(*[sighting(stay_s * i / (looks - 1), p=p) for i in range(looks)])


def test_the_first_look_opens_a_visit_with_its_place_time_and_picture():
    look = sighting(3.0, "squirrel", 0.9)
    visit = track_of(look).visit
    assert (visit.id, visit.start, visit.last_seen, visit.end) == ("a visit", moment(3.0), moment(3.0), None)
    assert (visit.sightings, visit.box, visit.best) == (1, look.box, look.picture)
    assert visit.visitor.group == "squirrel"


def test_a_visit_opened_by_the_gate_alone_is_something_of_which_nobody_is_sure():
    visit = track_of(unclassified(0.0)).visit
    assert visit.visitor == Visitor(group=SOMETHING, sure=0.0)


def test_looks_that_say_nobody_make_it_an_animal_that_is_not_sure_at_all():
    visit = track_of(sighting(0.0, p=0.1), sighting(1.0, p=0.1)).visit
    assert visit.visitor.group == "animal"
    assert 0 < visit.visitor.sure < 0.1


@pytest.mark.parametrize(("p", "moves"), [(0.34, False), (0.35, True), (0.9, True)])
def test_the_place_follows_looks_from_the_opening_probability_on(p, moves):
    there = sighting(1.0, p=p, at=(0.6, 0.5))
    track = track_of(sighting(0.0), there)
    assert track.visit.box == (there.box if moves else sighting(0.0).box)


def test_the_best_picture_is_of_somebody_large_and_sharp_and_the_first_of_equals():
    plain = sighting(0.0, p=0.5, size=0.2)
    likelier = sighting(1.0, p=0.9, size=0.2)
    larger = sighting(1.0, p=0.5, size=0.4)
    sharper = replace(sighting(1.0, p=0.5, size=0.2), sharpness=500.0)
    for better in (likelier, larger, sharper):
        for one, other in ((plain, better), (better, plain)):
            assert track_of(one, other).visit.best is better.picture
            assert track_of(one, other).visit.best_score == track_of(better).visit.best_score
    assert track_of(plain, sighting(1.0, p=0.5, size=0.2)).visit.best is plain.picture


def test_what_makes_a_picture_better_weighs_as_it_is_said():
    """Somebody for certain is worth as much as e^4 of area; twice the sharpness as a root of the area."""
    plain = track_of(sighting(0.0, p=0.25, size=0.2)).visit.best_score
    certain = track_of(sighting(0.0, p=0.75, size=0.2)).visit.best_score
    large = track_of(sighting(0.0, p=0.25, size=0.4)).visit.best_score
    sharp = track_of(replace(sighting(0.0, p=0.25, size=0.2), sharpness=100.0)).visit.best_score
    assert certain - plain == pytest.approx(2.0 * 0.5)
    assert large - plain == pytest.approx(0.5 * np.log(4))
    assert sharp - plain == pytest.approx(0.25 * np.log(2))


def test_a_crop_without_area_or_sharpness_still_has_a_score():
    flat = replace(sighting(0.0, size=0.0), sharpness=0.0)
    assert np.isfinite(track_of(flat).visit.best_score)
    faint = replace(sighting(0.0, size=0.2), sharpness=0.5)  # under 1, and counted as it is
    assert track_of(faint).visit.best_score < track_of(sighting(0.0, size=0.2)).visit.best_score


def test_the_emptiest_look_is_the_first_of_the_least_like_somebody():
    looks = [
        replace(sighting(float(i), p=p, at=(0.5 + i / 100, 0.5)), features=FEATURES + i)
        for i, p in enumerate((0.5, 0.2, 0.2, 0.6))
    ]
    emptiest = track_of(*looks).emptiest
    assert emptiest is not None
    there, empty = emptiest
    assert there == pytest.approx(0.2)
    assert empty == NegativeSample(looks[1].box, looks[1].features)


def test_looks_without_features_teach_nothing_and_take_nothing_away():
    known = replace(sighting(0.0, p=0.5), features=FEATURES)
    assert track_of(sighting(0.0)).emptiest is None
    emptiest = track_of(known, sighting(1.0, p=0.2)).emptiest
    assert emptiest is not None
    assert emptiest[1].features is FEATURES


def test_two_visits_as_one_keep_the_start_of_the_older_and_the_best_of_both():
    older = track_of(replace(sighting(0.0, p=0.5), features=FEATURES), sighting(1.0, p=0.5))
    younger = track_of(sighting(2.0, p=0.95, at=(0.55, 0.5)), sighting(3.0, p=0.95, at=(0.55, 0.5)))
    one = tracks.as_one(older, younger, SETTINGS)
    assert (one.visit.start, one.visit.last_seen) == (moment(0.0), moment(3.0))
    assert one.visit.box == younger.visit.box
    assert one.visit.sightings == 4
    assert one.visit.best is younger.visit.best
    assert one.visit.best_score == younger.visit.best_score
    assert one.emptiest == older.emptiest
    assert one.evidence.looks == 4
    assert older.visit.visitor.sure < one.visit.visitor.sure < younger.visit.visitor.sure
    assert tracks.as_one(younger, older, SETTINGS).visit.last_seen == moment(3.0)


@pytest.mark.parametrize(("p", "stays"), [(0.14, False), (0.15, True)])
def test_a_young_visit_goes_on_with_any_look_that_is_not_empty(p, stays):
    young = track_of(sighting(0.0))
    assert tracks.goes_on(young, sighting(1.0, "rabbit", p), SETTINGS) is stays


@pytest.mark.parametrize(("group", "p", "stays"), [
    ("bird", 0.19, False), ("bird", 0.2, True), ("squirrel", 0.9, False),
])  # fmt: skip
def test_a_settled_visit_goes_on_with_its_own_group_only(group, p, stays):
    assert tracks.goes_on(bird_after(2.0, 4), sighting(3.0, group, p), SETTINGS) is stays


def test_what_the_gate_alone_sees_goes_on_and_a_first_look_at_it_counts_whatever_the_group():
    assert tracks.goes_on(bird_after(2.0, 4), unclassified(3.0), SETTINGS)
    seen_by_the_gate = track_of(*[unclassified(float(t)) for t in range(5)])
    assert tracks.is_settled(seen_by_the_gate, SETTINGS)
    assert tracks.goes_on(seen_by_the_gate, sighting(5.0, "cat", 0.9), SETTINGS)
    assert not tracks.goes_on(seen_by_the_gate, sighting(5.0, "cat", 0.1), SETTINGS)


@pytest.mark.parametrize(("stay_s", "looks", "settled"), [
    (1.5, 3, True), (1.4, 3, False), (1.5, 2, False), (9.0, 2, False), (1.0, 9, False),
])  # fmt: skip
def test_settled_takes_time_and_looks(stay_s, looks, settled):
    assert tracks.is_settled(bird_after(stay_s, looks), SETTINGS) is settled


def test_settled_takes_somebody_at_least_as_likely_as_what_opens_a_visit():
    track = bird_after(3.0, 4, p=0.5)
    for open_at, settled in ((track.somebody, True), (track.somebody + 1e-9, False)):
        assert tracks.is_settled(track, replace(SETTINGS, open_at=open_at)) is settled


@pytest.mark.parametrize(("stay_s", "settle_s", "settled"), [
    (3.0, 1.5, True), (2.9, 1.5, False), (3.0, 5.0, False), (5.0, 5.0, True),
])  # fmt: skip
def test_what_the_gate_alone_sees_takes_longer_to_settle(stay_s, settle_s, settled):
    settings = replace(SETTINGS, settle_s=settle_s)
    track = track_of(*[unclassified(stay_s * i / 4) for i in range(5)])
    assert tracks.is_settled(track, settings) is settled
    assert tracks.was_somebody(track, settings) is settled


def test_one_look_must_be_surer_than_two():
    once = track_of(sighting(0.0, p=0.9))
    for single_sure, somebody in ((once.somebody, True), (once.somebody + 1e-9, False)):
        assert tracks.was_somebody(once, replace(SETTINGS, single_sure=single_sure)) is somebody
    strict = replace(SETTINGS, single_sure=1.0)
    assert not tracks.was_somebody(once, strict)
    assert tracks.was_somebody(bird_after(1.0, 2), strict)


def test_an_empty_look_speaks_against_a_young_visit_and_not_against_a_settled_one():
    empty = sighting(3.0, p=0.0)
    young, old = track_of(sighting(0.0)), bird_after(2.0, 4)
    assert tracks.found_empty(young, empty, SETTINGS).somebody < young.somebody
    assert tracks.found_empty(old, empty, SETTINGS) is old


def test_a_second_piece_of_one_frame_widens_the_place_only():
    track = track_of(sighting(0.0, at=(0.4, 0.5)))
    wider = tracks.widened(track, sighting(0.0, at=(0.6, 0.5)))
    assert wider.visit.box == pytest.approx(Box(0.3, 0.4, 0.7, 0.6))
    assert wider.evidence == track.evidence


def test_nothing_known_is_an_even_chance():
    visit = track_of(sighting(0.0)).visit
    assert Track(visit).somebody == 0.5
