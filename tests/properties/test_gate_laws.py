"""Laws of the motion gate, tried on made-up frames."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from dooryard.core.records import Box
from dooryard.gate import GateSettings, GateState, changed_back, learn, load, save, watch
from dooryard.gate.state import behind_of, widest_spread
from unit.gate.garden_frames import empty, ground, noisy, passed, play, with_patch

TESTS = Path(__file__).parent.parent
SMALL = (120, 160)  # the smallest luma is the fastest
WHERE = st.tuples(st.floats(0.2, 0.8), st.floats(0.25, 0.75))


def arrays_of(value):
    """Every array in a state, by name, what is worked out among them."""
    names = value._fields if hasattr(value, "_fields") else [field.name for field in fields(value)]
    out = {}
    for one in names:
        part = getattr(value, one)
        if isinstance(part, np.ndarray):
            out[one] = part
        elif hasattr(part, "__dataclass_fields__") or hasattr(part, "_fields"):
            out |= {f"{one}.{name}": array for name, array in arrays_of(part).items()}
    return out


def assert_worked_out(state):
    """What follows from other parts of a state agrees with them."""
    scene_change, kept = arrays_of(behind_of(state.background)), arrays_of(state.behind)
    assert scene_change.keys() == kept.keys()
    assert all(np.array_equal(scene_change[name], kept[name]) for name in scene_change)
    assert np.array_equal(state.widest_spread, widest_spread(state.spread))
    assert state.longest_hold_s == state.hold_s.max()


def visit_frames(at, level, change=lambda view: view, seconds=(16, 5)):
    """An empty view and then a visitor, with `change` put on every frame before the noise."""
    rng = np.random.default_rng(5)
    view = ground(SMALL)
    frames = [noisy(change(view), rng) for _ in range(seconds[0] * 5)]
    shown = with_patch(view, *at, width=0.12, level=level)
    return frames + [noisy(change(shown), rng) for _ in range(seconds[1] * 5)]


def verdicts(said):
    """Per frame: was anything let through?"""
    return [bool(passed(motions)) for motions in said]


@settings(deadline=None, max_examples=12)
@given(at=WHERE, gain=st.floats(0.6, 1.4), offset=st.floats(-20, 40))
def test_a_gain_or_an_offset_on_all_frames_leaves_the_verdicts(at, gain, offset):
    assume(15.0 * gain + offset > 0)  # what would be darker than black is another picture
    plain = verdicts(play(visit_frames(at, 15.0))[1])
    other = verdicts(play(visit_frames(at, 15.0, lambda view: view * gain + offset))[1])
    assert not any(plain[:80])
    assert not any(other[:80])
    assert any(plain[80:90]) == any(other[80:90]) is True
    assert plain[90:] == other[90:]


@settings(deadline=None, max_examples=10)
@given(phase=st.floats(0, 6.28), period_s=st.floats(0.7, 3.0), width=st.floats(0.02, 0.12))
def test_a_periodic_sway_once_learned_never_fires(phase, period_s, width):
    rng = np.random.default_rng(4)
    view = ground(SMALL)
    frames = []
    for number in range(450):
        x = 0.5 + width * np.sin(2 * np.pi * number / 5 / period_s + phase)
        frames.append(noisy(with_patch(view, x, 0.5, width=0.12, level=20.0), rng))
    _, said = play(frames)
    assert not any(verdicts(said)[150:])


@settings(deadline=None, max_examples=12)
@given(at=WHERE, darker=st.booleans(), fps=st.sampled_from([1.0, 2.0, 5.0, 10.0, 15.0]))
def test_a_still_body_that_appears_fires_within_2_s(at, darker, fps):
    rng = np.random.default_rng(8)
    view = ground(SMALL)
    shown = with_patch(view, *at, width=0.12, level=10.0 if darker else 245.0)
    state, _ = play([noisy(view, rng) for _ in range(round(16 * fps))], fps)
    _, said = play([noisy(shown, rng) for _ in range(round(3 * fps) + 1)], fps, state, start_s=116.0)
    first = verdicts(said).index(True)
    assert first / fps <= 2.0


@settings(deadline=None, max_examples=8)
@given(seed=st.integers(0, 10_000), cut=st.integers(1, 60))
def test_the_same_frames_give_the_same_and_a_restart_changes_nothing(seed, cut):
    rng = np.random.default_rng(seed)
    frames = [rng.integers(0, 256, SMALL, dtype=np.uint8) for _ in range(64)]
    whole, said = play(frames)
    first, before = play(frames[:cut])
    saved = save(first)
    loaded = load(saved, SMALL, GateSettings())
    assert loaded is not None
    assert save(loaded) == saved
    last, after = play(frames[cut:], state=loaded, start_s=100.0 + cut / 5)
    assert before + after == said
    assert {n: a.tobytes() for n, a in arrays_of(last).items()} == {
        n: a.tobytes() for n, a in arrays_of(whole).items()
    }


@pytest.mark.parametrize("levels", [(0, 0), (255, 255), (128, 128), (0, 255), (255, 0), (128, 0)])
@pytest.mark.parametrize("shape", [(120, 160), (240, 320), (480, 640)])
def test_black_white_and_constant_frames_give_only_finite_numbers(levels, shape):
    state = None
    for number in range(120):
        luma = np.full(shape, levels[number >= 60], np.uint8)
        state, motions = watch(state, luma, 10 + number / 5, GateSettings())
        assert all(np.isfinite(motion.score) for motion in motions)
    assert all(np.isfinite(array).all() for array in arrays_of(state).values())


@settings(deadline=None, max_examples=15)
@given(
    steps=st.lists(st.sampled_from([0.0, 0.07, 0.2, 0.2, 1.0, 3.0, 45.0, -500.0]), min_size=5, max_size=60),
    seed=st.integers(0, 999),
)
def test_any_times_and_any_pictures_keep_the_state_in_order(steps, seed):
    rng = np.random.default_rng(seed)
    state, now = None, 1000.0
    view = ground(SMALL)
    for step in steps:
        now += step
        kind = rng.integers(4)
        luma = (
            rng.integers(0, 256, SMALL, dtype=np.uint8)
            if kind == 0
            else noisy(view * rng.uniform(0.2, 1.5), rng)
        )
        state, motions = watch(state, luma, now, GateSettings())
        for motion in motions:
            assert 0 <= motion.box.x0 < motion.box.x1 <= 1
            assert 0 <= motion.box.y0 < motion.box.y1 <= 1
            assert motion.score >= 0
        assert (state.site.threshold >= 1).all()
        assert (state.site.threshold <= 2.5).all()
        assert (state.spread >= 0).all()
        assert (state.deviation >= 0).all()
        if kind == 1:
            state = learn(state, Box(0.2, 0.2, 0.4, 0.4), bool(rng.integers(2)), now, GateSettings())
        assert_worked_out(state)
    assert isinstance(state, GateState)


@settings(deadline=None, max_examples=8)
@given(at=WHERE)
def test_who_is_known_to_be_there_is_reported_until_gone_and_then_the_place_has_changed_back(at):
    box = Box(at[0] - 0.06, at[1] - 0.08, at[0] + 0.06, at[1] + 0.08)
    frames = visit_frames(at, 12.0, seconds=(16, 60))
    state, _ = play(frames[:90])
    state, said = play(frames[90:], state=state, start_s=118.0, occupied=(box,))
    assert all(verdicts(said))
    assert changed_back(state, box) is False
    state, _ = play(empty(4, shape=SMALL), state=state, start_s=state.last_s + 0.2, occupied=(box,))
    assert changed_back(state, box) is True


_RUN = """
import hashlib
import numpy as np
from dooryard.gate import save
from dooryard.gate.modes import pattern_count
from unit.gate.garden_frames import ground, noisy, play, with_patch

for shape in ((240, 320), (320, 180), (640, 120)):  # upright views have products large enough to share out
    rng, view = np.random.default_rng(3), ground(shape)
    swings = [with_patch(view, 0.5 + 0.1 * np.sin(0.9 * number), 0.5, level=20.0) for number in range(200)]
    state, _ = play([noisy(one, rng) for one in swings])
    print(pattern_count(state.modes) > 0, hashlib.sha256(save(state)).hexdigest())
"""


def test_the_number_of_threads_that_linear_algebra_may_use_changes_no_bit():
    digests = set()
    for threads in ("1", "4"):
        env = os.environ | dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), threads)
        done = subprocess.run(
            [sys.executable, "-c", _RUN], env=env, cwd=TESTS, capture_output=True, text=True, check=True
        )
        assert done.stdout.count("True") == 3
        digests.add(done.stdout)
    assert len(digests) == 1
