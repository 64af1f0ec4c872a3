from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dooryard.core.records import Box, RejectReason
from dooryard.gate import GateSettings, watch
from unit.gate.garden_frames import empty, ground, noisy, passed, play, with_patch

BIRD = Box(0.45, 0.43, 0.55, 0.57)  # around the patch that `landed` shows


def landed(seconds=5.0, fps=5.0, shape=(240, 320), seed=11):
    rng = np.random.default_rng(seed)
    view = with_patch(ground(shape), 0.5, 0.5)
    return [noisy(view, rng) for _ in range(round(seconds * fps))]


def hits(motions, box=BIRD):
    return [found for found in passed(motions) if found.overlap(box) > 0]


def test_an_empty_view_lets_nothing_through():
    _, said = play(empty(120))
    assert [boxes for boxes in map(passed, said) if boxes] == []


@pytest.mark.parametrize("shape", [(120, 160), (240, 320), (288, 352), (480, 640)])
@pytest.mark.parametrize("fps", [1.0, 5.0, 15.0])
def test_a_bird_that_lands_is_seen_at_any_size_and_rate(shape, fps):
    state, _ = play(empty(20, fps, shape), fps)
    _, said = play(landed(4, fps, shape), fps, state, start_s=120.0)
    first = next(number for number, motions in enumerate(said) if hits(motions))
    assert first / fps <= 2.0


def test_the_view_is_learned_within_20_s_and_says_so():
    state, said = play(empty(6) + landed(4))
    assert state.news == ""
    assert not state.ready
    assert {motion.reject_reason for motions in said for motion in motions} <= {RejectReason.LEARNING}
    state, _ = play(empty(16), state=state, start_s=110.2)
    assert state.ready


def test_a_first_frame_and_another_size_start_again():
    state, motions = watch(None, empty(1)[0], 5.0, GateSettings())
    assert motions == ()
    assert state.news == "a new view: learning it"
    other, _ = watch(state, empty(1, shape=(120, 160))[0], 5.2, GateSettings())
    assert other.luma_shape == (120, 160)


def test_a_frame_of_the_same_time_is_passed_over():
    state, _ = play(empty(2))
    again, motions = watch(state, landed(1)[0], state.last_s, GateSettings())
    assert again is state
    assert motions == ()


def test_a_long_gap_and_a_clock_that_goes_back_learn_again():
    state, _ = play(empty(20))
    for later in (state.last_s + 100, state.last_s - 50):
        scene_change, motions = watch(state, empty(1)[0], later, GateSettings())
        assert not scene_change.ready
        assert scene_change.news == "a gap in the frames: relearning the view"
        assert motions == ()


def test_an_ignored_area_is_held_with_its_reason():
    settings = GateSettings(ignore=(((0.3, 0.3), (0.7, 0.3), (0.7, 0.7), (0.3, 0.7)),))
    state, _ = play(empty(20), settings=settings)
    _, said = play(landed(), state=state, start_s=120.0, settings=settings)
    assert not any(map(passed, said))
    assert RejectReason.IGNORED in {motion.reject_reason for motions in said for motion in motions}


def test_a_visitor_below_the_smallest_size_is_held_with_its_reason():
    settings = GateSettings(smallest=0.4)
    state, _ = play(empty(20), settings=settings)
    _, said = play(landed(), state=state, start_s=120.0, settings=settings)
    assert not any(map(passed, said))
    assert RejectReason.SMALL in {motion.reject_reason for motions in said for motion in motions}


def test_a_visitor_who_stays_is_reported_for_as_long_as_it_is_known_to_be_there():
    state, _ = play(empty(20))
    state, _ = play(landed(4), state=state, start_s=120.0)
    _, said = play(landed(300), state=state, start_s=124.0, occupied=(BIRD,))
    assert all(hits(motions) for motions in said)


def test_what_nobody_confirms_is_background_in_the_end():
    state, _ = play(empty(20))
    _, said = play(landed(1200, fps=1.0), 1.0, state=state, start_s=120.0)
    assert any(map(hits, said[:10]))
    assert not any(map(hits, said[-50:]))


def test_an_old_state_goes_on_to_the_same_end():
    old, _ = play(empty(20))
    frames = landed(5)
    first, said = play(frames, state=old, start_s=120.0)
    second, again = play(frames, state=old, start_s=120.0)
    assert said == again
    assert np.array_equal(first.mean, second.mean)


def test_a_camera_nudged_for_good_is_learned_again_within_20_s_and_says_so():
    state, _ = play(empty(30))
    moved = [np.roll(frame, (9, 14), (0, 1)) for frame in empty(20, seed=5)]
    news, ready_s = [], None
    for number, frame in enumerate(moved):
        state, motions = watch(state, frame, 130.0 + number / 5, GateSettings())
        assert not passed(motions)
        news.append(state.news)
        ready_s = number / 5 if state.ready and any(news) and ready_s is None else ready_s
    assert "most of the view has changed: relearning it" in news
    assert ready_s is not None
    assert ready_s <= 20


def test_a_visitor_close_to_the_camera_is_no_new_view():
    state, _ = play(empty(30))
    rng = np.random.default_rng(3)
    cat = with_patch(ground(), 0.5, 0.5, width=0.45)
    state, said = play([noisy(cat, rng) for _ in range(50)], state=state, start_s=130.0)
    assert state.news == ""
    assert hits(said[-1])


@pytest.mark.parametrize("gain", [0.6, 0.8, 1.25, 1.4])
def test_a_sudden_change_of_all_light_lets_nothing_through(gain):
    state, _ = play(empty(30))
    rng = np.random.default_rng(3)
    _, said = play([noisy(ground() * gain, rng) for _ in range(100)], state=state, start_s=130.0)
    assert not any(map(passed, said))


def test_a_repeated_picture_is_not_taken_for_calm():
    state, _ = play(empty(30))
    again, _ = play([empty(1)[0]] * 50, state=state, start_s=130.0)
    assert again.deviation.mean() > 0.9 * state.deviation.mean()


def test_missing_frames_do_no_harm():
    frames = empty(60)
    keep = np.random.default_rng(2).random(len(frames)) < 0.5
    state = None
    for number, frame in enumerate(frames):
        if keep[number]:
            state, motions = watch(state, frame, 100 + number / 5, GateSettings())
            assert not passed(motions)


@pytest.mark.parametrize("soft_px", [40, 80, 160])
def test_the_soft_edge_of_a_clouds_shadow_lets_nothing_through(soft_px):
    state, _ = play(empty(30))
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:240, 0:320]
    for number in range(300):
        shade = 1 - 0.3 / (1 + np.exp(-(number * 2.0 - x - 0.3 * y) / (soft_px / 4)))
        state, motions = watch(state, noisy(ground() * shade, rng), 130 + number / 5, GateSettings())
        assert not passed(motions)


@pytest.mark.parametrize(("before", "more"), [(0.3, 1.2), (0.9, 0.3)])
def test_a_lamp_that_lights_half_the_view_lets_nothing_through(before, more):
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:240, 0:320]
    pool = np.exp(-(((x - 90) / 120.0) ** 2 + ((y - 60) / 100.0) ** 2))
    state, _ = play([noisy(ground() * before, rng) for _ in range(150)])
    lit = [noisy(ground() * (before + more * pool), rng) for _ in range(150)]
    _, said = play(lit, state=state, start_s=130.0)
    assert not any(map(passed, said))


@pytest.mark.parametrize(
    ("frames_per_s", "learned_s", "every"), [(15, 20, 5), (5, 20, 2), (15, 100, 11), (5, 100, 4), (1, 100, 1)]
)
def test_the_background_is_brought_up_to_date_at_any_rate_of_frames(frames_per_s, learned_s, every):
    state = replace(play(empty(20))[0], learned_s=float(learned_s), unlearned_s=0.0)
    changes, start_s = [], state.last_s
    for number, luma in enumerate(empty(9, seed=5), 1):
        after, _ = watch(state, luma, start_s + number / frames_per_s, GateSettings())
        changes.append(after.background is not state.background)
        state = after
    turns = np.flatnonzero(changes)
    assert len(turns) >= 3
    assert set(np.diff(turns).tolist()) == {every}
