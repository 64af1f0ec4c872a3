from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy import ndimage

from dooryard.gate.blobs import Blob
from dooryard.gate.evidence import ENOUGH_S, evidence_after
from dooryard.gate.grid import BLACK, Map, downsampled
from dooryard.gate.modes import FIRST, MODES, Modes, no_modes
from dooryard.gate.shake import slopes_of, steadied
from dooryard.gate.shape import LEAST_CARRIED, LEAST_KNOWN, REACH, likeness, shape_of

RNG = np.random.default_rng(12)
BEHIND = (
    (90 + 60 * ndimage.gaussian_filter(RNG.normal(0, 1, (60, 80)), 2.0) / 0.14)
    .clip(20, 240)
    .astype(np.float32)
)


NO_WIND = no_modes((60, 80))


class Seen(NamedTuple):
    """The part of a view that a shape is judged by."""

    raw: Map
    whole: Map
    mean: Map
    usual: Map
    ratio: Map


def scored(now, modes=NO_WIND, behind=BEHIND):
    """The shape of a change of 10x10 cells in the middle of the view `now`."""
    raw = np.log((now + BLACK) / (behind + BLACK)).astype(np.float32)
    mean = ndimage.uniform_filter(raw, 5)
    usual = np.full_like(raw, 0.02)
    rows, cols = np.mgrid[20:30, 30:40]
    cells = (rows * 80 + cols).ravel()
    seen = Seen(raw, mean, mean, usual, np.abs(mean) / usual)
    return shape_of(seen, behind, modes, Blob(cells, 20, 30, 30, 40))


def body():
    now = BEHIND.copy()
    now[21:29, 31:39] = 30
    return now


def moved(dx, dy):
    return ndimage.shift(BEHIND, (dy, dx), order=1, mode="nearest")


def test_a_body_hides_what_is_behind_it():
    shape = scored(body())
    assert shape.texture < 0.5
    assert shape.shift < 0.3
    assert shape.halo < 0.2
    assert likeness(shape) > 0.5


def test_light_lets_the_texture_show_through():
    y, x = np.mgrid[0:60, 0:80]
    shade = 1 - 0.4 * np.exp(-(((y - 25) / 12.0) ** 2 + ((x - 35) / 12.0) ** 2))
    shape = scored((BEHIND * shade).astype(np.float32))
    assert shape.texture > 0.9
    assert likeness(shape) < 0.45


@pytest.mark.parametrize(("dx", "dy"), [(0.7, 0.0), (-0.5, 0.4), (0.0, -0.8)])
def test_sway_is_explained_by_a_shift(dx, dy):
    shape = scored(moved(dx, dy))
    assert shape.shift > 0.6
    assert likeness(shape) < 0.5


def hung(col):
    """The view with a feeder in front: dark, 8 cells wide from `col` on, with a texture of its own."""
    now = BEHIND.copy()
    now[18:32, col : col + 8] = np.float32(0.3) * BEHIND[40:54, 60:68]
    return now


@pytest.mark.parametrize("aside", [2, 4, REACH[1]])
@pytest.mark.parametrize("way", [-1, 1])
def test_a_feeder_that_hangs_aside_was_carried(aside, way):
    shape = scored(hung(31), behind=hung(31 - way * aside))
    assert shape.left < 0.6
    assert likeness(shape) < 0.5 * likeness(scored(body()))


def test_a_body_was_carried_from_nowhere():
    assert scored(body()).left > 0.85


def test_a_body_beside_a_bush_as_dark_is_still_a_body():
    bush = BEHIND.copy()
    bush[10:50, 8:28] = 30
    now = bush.copy()
    now[21:29, 31:39] = 30
    assert scored(now, behind=bush).left > 0.7


def test_what_moves_further_than_a_feeder_hangs_is_not_called_carried():
    assert scored(hung(31), behind=hung(31 + REACH[1] + 12)).left > 0.85


def test_what_was_carried_is_held_back_only_so_far():
    shape = scored(body())._replace(left=0.0)
    assert likeness(shape) == pytest.approx(LEAST_CARRIED * likeness(shape._replace(left=1.0)))


def test_at_the_rim_of_the_picture_too():
    cells = np.arange(3) * 80 + 79
    raw = np.zeros((60, 80), np.float32)
    raw[:3, 79] = -0.5
    seen = Seen(raw, raw, raw, np.full_like(raw, 0.02), np.abs(raw) / np.float32(0.02))
    assert 0 < shape_of(seen, BEHIND, NO_WIND, Blob(cells, 0, 79, 3, 80)).left <= 1


def wind_of(now, strength):
    """A memory with one pattern: how the view `now` differs."""
    raw = np.log((now + BLACK) / (BEHIND + BLACK)).astype(np.float32)
    pattern = downsampled(ndimage.uniform_filter(raw, 5))
    patterns = np.zeros((MODES, *pattern.shape), np.float32)
    patterns[0] = pattern / np.linalg.norm(pattern)
    strengths = np.zeros(MODES, np.float32)
    strengths[0] = strength
    return Modes(patterns, strengths, NO_WIND.waiting, seen=FIRST)


def test_a_gust_along_a_known_pattern_is_no_body_however_strong():
    # The pattern's usual weight is a tenth of what this gust makes of it.
    wind = wind_of(body(), strength=0.1)
    assert scored(body(), wind).known > 0.9
    assert likeness(scored(body(), wind)) == pytest.approx(LEAST_KNOWN * likeness(scored(body())), abs=0.05)


def test_a_body_elsewhere_is_not_explained_by_that_pattern():
    now = BEHIND.copy()
    now[24:32, 24:32] = 30
    assert scored(now, wind_of(body(), strength=0.1)).known < 0.65


def test_a_pied_body_is_held_back_only_so_far():
    now = BEHIND.copy()
    now[21:29, 31:35], now[21:29, 35:39] = 10, 240
    assert likeness(scored(now)) >= 0.25


# scipy.ndimage.shift is the outside reference for a picture that is moved.
@pytest.mark.parametrize(("dx", "dy"), [(0.3, 0.0), (-0.5, 0.25), (0.2, -0.6)])
def test_a_shaking_pole_is_measured_and_taken_out(dx, dy):
    raw = np.log((moved(dx, dy) + BLACK) / (BEHIND + BLACK)).astype(np.float32)
    still, shift = steadied(raw, BEHIND, slopes_of(BEHIND))
    assert shift == pytest.approx((dx, dy), abs=0.2)
    assert np.abs(still[2:-2, 2:-2]).mean() < 0.6 * np.abs(raw[2:-2, 2:-2]).mean()


def test_a_body_is_not_taken_for_shake():
    raw = np.log((body() + BLACK) / (BEHIND + BLACK)).astype(np.float32)
    still, shift = steadied(raw, BEHIND, slopes_of(BEHIND))
    assert shift == (0.0, 0.0)
    assert still is raw


@pytest.mark.parametrize(("score", "seconds"), [(3.0, 0.4), (1.2, 2.2), (0.9, None)])
def test_the_strong_passes_at_once_and_the_weak_must_last(score, seconds):
    blob = Blob(np.array([100]), 1, 20, 2, 21)
    before = np.zeros((60, 80), np.float32)
    for number in range(1, 40):
        before.ravel()[100] = evidence_after(before, blob, score, 0.2)
        if before.ravel()[100] >= ENOUGH_S:
            assert seconds is not None
            assert number * 0.2 == pytest.approx(seconds, abs=0.21)
            return
    assert seconds is None


@pytest.mark.parametrize("dt_s", [1 / 15, 0.2, 1.0, 3.0])
def test_a_single_frame_is_never_enough(dt_s):
    blob = Blob(np.array([100]), 1, 20, 2, 21)
    assert evidence_after(np.zeros((60, 80), np.float32), blob, 100.0, dt_s) < ENOUGH_S
