"""A folder of pictures with its truth, as `tools/bench_gate.py --real` reads it."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image

from dooryard.gate import GateSettings, watch
from gate_bench.measure import count
from gate_bench.real import real_clip

RATE, WARM_S, FRAMES = 4.0, 30, 360
CAME, WENT = 200, 280
BOX = [0.40, 0.40, 0.55, 0.60]


def truth(**changes):
    visit = {"from": CAME, "to": WENT, "box": BOX}
    return {"frames_per_s": RATE, "warm_s": WARM_S, "visits": [visit]} | changes


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    """A minute and a half of a still, noisy view; somebody dark sits in it for twenty seconds."""
    folder = tmp_path_factory.mktemp("mine")
    chance = np.random.default_rng(3)
    view = chance.integers(90, 160, (24, 32)).repeat(16, 0).repeat(16, 1).astype(np.float32)
    for number in range(FRAMES):
        frame = view + chance.normal(0, 2, view.shape)
        if CAME <= number <= WENT:
            frame[154:230, 205:281] = 30 + chance.normal(0, 2, (76, 76))
        Image.fromarray(frame.clip(0, 255).astype(np.uint8)).save(folder / f"{number:05d}.jpg")
    return folder


def told(folder, **changes):
    (folder / "truth.json").write_text(json.dumps(truth(**changes)))
    return real_clip(folder)


@pytest.fixture(scope="module")
def fired(pictures):
    """What the gate lets through of them; the truth has no part in it."""
    state, found = None, []
    clip = told(pictures)
    for number, luma in enumerate(clip.frames()):
        assert luma.shape == (240, 320)
        state, motions = watch(state, luma, number / clip.frames_per_s, GateSettings())
        found.append([motion.box for motion in motions if motion.reject_reason is None])
    return found


def test_who_came_is_seen_and_nobody_else(pictures, fired):
    got = count(told(pictures), fired)
    assert (got.recall(), got.false) == ((1, 1), 0)
    assert 0 < got.empty_h < (FRAMES - (WENT - CAME) - RATE * WARM_S) / RATE / 3600


def test_where_nobody_was_by_the_truth_it_is_a_false_picture(pictures, fired):
    assert count(told(pictures, visits=[]), fired).false >= 1


def test_what_is_unsure_counts_neither_way(pictures, fired):
    got = count(told(pictures, visits=[], unsure=[{"from": CAME, "to": WENT}]), fired)
    assert (got.recall(), got.false) == ((0, 0), 0)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"frames_per_s": "often"}, "could not convert"),
        ({"visits": [{"from": 3, "to": 5}]}, "'box' is missing"),
        ({"visits": [{"from": 5, "to": 3, "box": BOX}]}, "a visit from 5 to 3: there are frames 0 to 359"),
        ({"visits": [{"from": 0, "to": 360, "box": BOX}]}, "there are frames 0 to 359"),
        ({"visits": [{"from": 0, "to": 3, "box": [40, 40, 55, 60]}]}, "between 0 and 1"),
        ({"visits": [7]}, "not subscriptable"),
        ({"visits": [{"from": 0, "to": 3, "box": [0, 1]}]}, "missing 2 required"),
    ],
)
def test_what_is_wrong_in_the_truth_is_said(pictures, changes, said):
    with pytest.raises(SystemExit, match="to do: write it as") as caught:
        told(pictures, **changes)
    assert said in str(caught.value)


def test_a_folder_without_pictures_or_truth_is_said(tmp_path):
    with pytest.raises(SystemExit, match=r"no \*\.jpg"):
        real_clip(tmp_path)
    Image.new("L", (32, 24)).save(tmp_path / "1.png")
    with pytest.raises(SystemExit, match=r"truth\.json"):
        real_clip(tmp_path)


def test_a_file_that_is_no_picture_is_named(tmp_path):
    (tmp_path / "1.jpg").write_text("no")
    (tmp_path / "truth.json").write_text(json.dumps(truth(visits=[])))
    with pytest.raises(SystemExit, match=r"1\.jpg"):
        list(real_clip(tmp_path).frames())
