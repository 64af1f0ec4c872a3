from __future__ import annotations

import numpy as np

from dooryard.core.records import Box
from dooryard.gate import GateSettings, changed_back, learn
from unit.gate.garden_frames import empty, ground, noisy, passed, play, with_patch

BOX = Box(0.45, 0.43, 0.55, 0.57)
SETTINGS = GateSettings()


def pot(seconds, seed=11):
    """Somebody has put a flower pot there."""
    rng = np.random.default_rng(seed)
    return [noisy(with_patch(ground(), 0.5, 0.5), rng) for _ in range(round(seconds * 5))]


def test_nobody_there_soon_ends_it():
    state, _ = play(empty(20))
    looks = 0
    for number, frame in enumerate(pot(60)):
        state, said = play([frame], state=state, start_s=120.0 + number / 5)
        boxes = passed(said[0])
        looks += bool(boxes)
        for box in boxes:
            state = learn(state, box, False, state.last_s, SETTINGS)
    assert 1 <= looks <= 15


def test_nobody_raises_the_threshold_of_its_own_regions_only_and_time_lowers_it():
    state, _ = play(empty(20))
    after = learn(state, BOX, False, state.last_s, SETTINGS)
    assert after.site.threshold.max() > 1
    assert (after.site.threshold > 1).sum() <= 4
    assert state.site.threshold.max() == 1
    later, _ = play(empty(60), state=after, start_s=120.0)
    assert 1 < later.site.threshold.max() < after.site.threshold.max()


def test_a_verdict_from_before_the_view_was_learned_is_ignored():
    state, _ = play(empty(20))
    assert learn(state, BOX, False, state.last_s - 1000, SETTINGS) is state


def test_verdicts_never_make_a_region_blind():
    state, _ = play(empty(20))
    for number in range(200):
        state = learn(state, BOX, False, state.last_s, SETTINGS)
        state, _ = play(empty(3, seed=number), state=state, start_s=state.last_s + 0.2)
    assert state.site.threshold.max() <= 3
    bird = [noisy(with_patch(ground(), 0.5, 0.5, width=0.15, level=5), np.random.default_rng(1))] * 25
    _, said = play(bird, state=state, start_s=state.last_s + 0.2)
    assert any(map(passed, said))


def test_changed_back_follows_an_arrival_and_a_departure():
    assert changed_back(play(empty(5))[0], BOX) is None
    state, _ = play(empty(20))
    assert changed_back(state, BOX) is True
    state, _ = play(pot(30), state=state, start_s=120.0, occupied=(BOX,))
    assert changed_back(state, BOX) is False
    state, _ = play(empty(3, seed=5), state=state, start_s=150.0, occupied=(BOX,))
    assert changed_back(state, BOX) is True
