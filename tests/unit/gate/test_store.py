from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from dooryard.core.records import Box, RejectReason
from dooryard.gate import GateSettings, learn, load, report, save
from unit.gate.garden_frames import empty, play

SETTINGS = GateSettings()


def taught():
    state, _ = play(empty(15))
    return learn(state, Box(0.02, 0.02, 0.1, 0.1), False, state.last_s, SETTINGS)


def same(one, other):
    for field in fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray):
            assert a.dtype == b.dtype
            assert a.tobytes() == b.tobytes(), field.name
        elif field.name in ("site", "modes"):
            same(a, b)
        elif field.name == "behind":
            assert a.downsampled.tobytes() == b.downsampled.tobytes()
            assert (a.clipped is None) == (b.clipped is None)
            assert a.clipped is None or a.clipped.tobytes() == b.clipped.tobytes()
            assert a.slopes.maps.tobytes() == b.slopes.maps.tobytes()
            assert a.slopes[1:] == b.slopes[1:]
        else:
            assert a == b, field.name


def test_saved_and_loaded_is_the_same_bit_for_bit():
    state = taught()
    data = save(state)
    back = load(data, state.luma_shape, SETTINGS)
    same(state, back)
    assert save(back) == data


def test_a_view_with_clipped_cells_is_loaded_with_them():
    glare = [np.where(np.arange(luma.shape[1]) < 40, 255, luma).astype(np.uint8) for luma in empty(15)]
    state, _ = play(glare)
    back = load(save(state), state.luma_shape, SETTINGS)
    assert state.behind.clipped.sum() > 300
    same(state, back)


def test_a_loaded_state_goes_on_as_the_saved_one():
    state = taught()
    frames = empty(5, seed=3)
    one, said = play(frames, state=state, start_s=200.0)
    other, again = play(frames, state=load(save(state), state.luma_shape, SETTINGS), start_s=200.0)
    assert said == again
    same(one, other)


def test_another_view_size_gives_none():
    assert load(save(taught()), (120, 160), SETTINGS) is None


@pytest.mark.parametrize("cut", [0, 10, 1000, -1])
def test_damaged_bytes_give_none(cut):
    data = save(taught())
    assert load(data[:cut], (240, 320), SETTINGS) is None


def test_a_spread_below_zero_gives_none():
    state = taught()
    wrong = replace(state, spread=state.spread - np.float32(1))
    assert load(save(wrong), state.luma_shape, SETTINGS) is None


def test_too_many_bytes_give_none():
    assert load(bytes(5_000_000), (240, 320), SETTINGS) is None


def test_the_state_is_small():
    assert len(save(taught())) < 400_000


def test_the_report_names_the_region_that_cried_wolf():
    found = report(taught())
    worst = max(found.regions, key=lambda region: region.threshold)
    assert worst.nobody == 1
    assert worst.where == "row 1 of 6, column 1 of 8"
    assert str(RejectReason.LEARNING) in found.per_hour
    assert found.restless.shape == (60, 80)
    assert (found.restless >= np.float32(found.calm_contrast)).all()
