"""The patterns of the wind: learned as a plain singular value decomposition has them, and taken out."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from dooryard.gate import GateSettings, load, save, watch
from dooryard.gate import modes as wind
from dooryard.gate.grid import downsampled
from dooryard.gate.state import fresh
from unit.gate.garden_frames import SHAPE, empty, ground, noisy, passed, play, with_patch

GRID = (60, 80)
CALM = np.full(GRID, 0.01, np.float32)


def bump(y, x, radius=6.0):
    ys, xs = np.mgrid[0 : GRID[0], 0 : GRID[1]]
    return np.exp(-(((ys - y) ** 2 + (xs - x) ** 2) / (2 * radius**2))).astype(np.float32)


PATTERNS = (bump(15, 20) - bump(15, 35), bump(40, 50) - bump(40, 62), bump(30, 10))
SIZES = (0.25, 0.15, 0.08)


def windy(rng, sizes=SIZES):
    """One map of change in which each pattern has a weight of its own."""
    change = sum(rng.normal(0, size) * pattern for size, pattern in zip(sizes, PATTERNS, strict=True))
    return (change + rng.normal(0, 0.003, GRID)).astype(np.float32)


def taught(count=400, seed=1):
    rng = np.random.default_rng(seed)
    modes, shown = wind.no_modes(GRID), []
    for _ in range(count):
        change = windy(rng)
        shown.append(np.clip(change, -wind.CLIP, wind.CLIP))
        modes = wind.learned(modes, change, 1.0, 0.4, quiet=True)
    return modes, shown


def test_patterns_and_strengths_are_those_of_a_whole_decomposition():
    """Reference: numpy.linalg.svd of all frames at once (LAPACK)."""
    modes, shown = taught()
    rows = np.array([downsampled(change).ravel() for change in shown])
    _, values, right = np.linalg.svd(rows, full_matrices=False)
    mean_squares = values**2 / len(rows)
    np.testing.assert_allclose(modes.strength[:3], mean_squares[:3], rtol=0.05)
    flat = modes.patterns.reshape(wind.MODES, -1)
    assert np.abs(np.sum(flat[:3] * right[:3], axis=1)).min() > 0.99
    np.testing.assert_allclose(flat @ flat.T, np.eye(wind.MODES), atol=1e-3)


def test_the_known_wind_is_taken_out_and_a_body_on_it_stays():
    modes, _ = taught()
    rng = np.random.default_rng(9)
    body = bump(15, 20, radius=2.5) * np.float32(-0.3)  # small, right on a pattern
    left, kept = [], []
    for _ in range(50):
        change = windy(rng)
        left.append(
            np.std(change - wind.decomposition(modes, change, CALM, CALM, 0.2).known) / np.std(change)
        )
        seen = change + body
        kept.append((seen - wind.decomposition(modes, seen, CALM, CALM, 0.2).known)[15, 20] / -0.3)
    assert np.mean(left) < 0.15
    assert np.mean(kept) > 0.7


# numpy.linalg.lstsq (LAPACK) on the patterns with a row of noise for each is the outside reference.
def test_the_fit_to_a_part_of_the_view_is_that_of_least_squares():
    modes, _ = taught()
    change = (windy(np.random.default_rng(8)) * 3).astype(np.float32)
    rows, cols = slice(6, 31), slice(10, 44)
    count = wind.pattern_count(modes)
    patterns = modes.patterns[:count, 3:16, 5:22].reshape(count, -1).T.astype(np.float64)
    noise = np.diag(np.sqrt(wind.RIDGE / modes.strength[:count].astype(np.float64)))
    seen = change[rows, cols][::2, ::2]
    weights, *_ = np.linalg.lstsq(
        np.vstack((patterns, noise)), np.concatenate((seen.ravel(), np.zeros(count))), rcond=None
    )
    expected = (patterns @ weights).reshape(seen.shape)
    assert wind.fitted(modes, change, rows, cols) == pytest.approx(expected, abs=1e-4)
    assert np.abs(expected).max() > 0.3


def test_without_patterns_nothing_is_fitted():
    part = slice(0, 20)
    assert not wind.fitted(wind.no_modes(GRID), np.ones(GRID, np.float32), part, part).any()


def test_a_wind_beyond_all_that_was_known_raises_what_is_usual_and_fades():
    modes, _ = taught()
    rng = np.random.default_rng(2)
    usual = [wind.decomposition(modes, windy(rng), CALM, CALM, 0.2).gust for _ in range(50)]
    assert np.median(usual) == 1.0
    strong = wind.decomposition(modes, sum(PATTERNS) * np.float32(0.3) * 8, CALM, CALM, 0.2)
    assert 1.5 < strong.gust <= wind.WORST_GUST
    after = replace(modes, gust=strong.gust)
    calm = np.zeros(GRID, np.float32)
    fading = [wind.decomposition(after, calm, CALM, CALM, dt_s).gust for dt_s in (0.2, 2.0, 20.0)]
    assert strong.gust > fading[0] > fading[1] > fading[2] == pytest.approx(1.0, abs=0.01)


def test_noise_alone_is_no_pattern():
    rng = np.random.default_rng(3)
    modes = wind.no_modes(GRID)
    for _ in range(100):
        modes = wind.learned(modes, rng.normal(0, 0.004, GRID).astype(np.float32), 1.0, 0.4, quiet=True)
    assert wind.pattern_count(modes) == 0
    assert wind.decomposition(modes, bump(20, 20), CALM, CALM, 0.2).known is None


def test_nothing_is_learned_where_somebody_may_be_or_before_it_is_due():
    start = wind.no_modes(GRID)
    assert wind.learned(start, bump(9, 9), 1.0, 5.0, quiet=False).seen == 0
    soon = wind.learned(start, bump(9, 9), 1.0, 0.2, quiet=True)
    assert soon.seen == 0
    assert wind.learned(soon, bump(9, 9), 1.0, 0.2, quiet=True).seen == 1
    assert not start.waiting.any()


def test_a_gap_keeps_the_patterns_and_another_view_does_not():
    state, _ = play(empty(30))
    assert state.modes.seen > wind.FIRST
    after, _ = watch(state, empty(1)[0], state.last_s + 500, GateSettings())
    assert after.modes is state.modes
    assert not after.ready
    small = np.full((120, 160), 90, np.uint8)
    assert fresh(small, 0.0, state).modes.seen == 0


def test_a_memory_from_before_patterns_were_kept_is_taken_without_any(monkeypatch):
    state, _ = play(empty(30))
    monkeypatch.setattr(
        "dooryard.gate.store.fields", lambda part: () if part is state.modes else fields(part)
    )
    data = save(state)
    monkeypatch.undo()
    back = load(data, SHAPE, GateSettings())
    assert back is not None
    assert back.modes.seen == 0
    assert back.background.tobytes() == state.background.tobytes()


def swinging(seconds, rng, bird=False, start_s=0.0):
    """A feeder of a sixth of the picture swings in gusts; the bird rides on it."""
    frames, view = [], ground()
    for number in range(round(seconds * 5)):
        now = start_s + number / 5
        x = 0.5 + 0.10 * np.sin(2 * np.pi * now / 1.7) * (0.6 + 0.4 * np.sin(now / 3.1))
        picture = with_patch(view, x, 0.5, width=0.16, level=60.0)
        frames.append(noisy(with_patch(picture, x, 0.42, width=0.07, level=150.0) if bird else picture, rng))
    return frames


def test_a_small_bird_riding_on_a_swinging_feeder_is_seen_and_the_feeder_is_not():
    rng = np.random.default_rng(4)
    state, said = play(swinging(120, rng))
    assert not any(passed(motions) for motions in said[200:])
    _, said = play(swinging(8, rng, bird=True, start_s=120.0), state=state, start_s=220.0)
    assert any(passed(motions) for motions in said)


def test_without_the_patterns_that_bird_is_missed(monkeypatch):
    """So the test above says something about the patterns."""
    monkeypatch.setattr(wind, "FIRST", 10**9)
    rng = np.random.default_rng(4)
    state, _ = play(swinging(120, rng))
    _, said = play(swinging(8, rng, bird=True, start_s=120.0), state=state, start_s=220.0)
    assert not any(passed(motions) for motions in said)
