"""Live is rehearsed: the gate decides by the camera's own luma as it does by a recording's.

The camera's luma is worked out here as hardware does it in the colour space that the adapter asks for:
BT.601, of the full range, rounded once after the mean over a block (weights: JFIF, ITU-T T.871). What the
real library gives in that colour space is held against a recording in tests/contract/test_picamera_real.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daemon_runs import GARDEN
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.luma import small_luma
from dooryard.camera.scene import SceneCamera
from dooryard.gate import GateSettings, watch

SIZE = (320, 240)
FULL, NARROW = (0.299, 0.587, 0.114), (0.2126, 0.7152, 0.0722)


def by_hardware(pixels: np.ndarray, weights: tuple[float, ...], *, limited: bool) -> np.ndarray:
    """Luma of (H, W, 3) pixels at SIZE, uint8."""
    luma = pixels @ np.array(weights)
    if limited:
        luma = 16 + luma * (219 / 255)
    width, height = SIZE
    down, across = luma.shape[0] // height, luma.shape[1] // width
    return np.round(luma.reshape(height, down, width, across).mean((1, 3))).astype(np.uint8)


@pytest.fixture(scope="module")
def pictures() -> list[np.ndarray]:
    """A minute of a garden with three visits in it, 640 x 480."""
    garden = replace(GARDEN, width=640, height=480, frames_per_s=5.0)
    camera, seen = SceneCamera(garden, luma_size=SIZE), []
    camera.open()
    try:
        while True:
            seen.append(camera.read(1.0).large())
    except EndOfFramesError:
        return seen


def decisions(lumas: list[np.ndarray]) -> list[int]:
    """How many motions are worth a look at each frame."""
    state, found = None, []
    for number, luma in enumerate(lumas):
        state, motions = watch(state, luma, number / 5.0, GateSettings())
        found.append(sum(motion.reject_reason is None for motion in motions))
    return found


def test_the_gate_decides_the_same_live_as_in_a_rehearsal(pictures):
    recorded = [small_luma(pixels, SIZE) for pixels in pictures]
    live = [by_hardware(pixels, FULL, limited=False) for pixels in pictures]
    apart = max(int(np.abs(a.astype(int) - b).max()) for a, b in zip(recorded, live, strict=True))
    assert apart <= 1
    assert any(decisions(recorded))  # else nothing would be compared
    assert decisions(live) == decisions(recorded)


def test_the_library_s_own_choice_would_be_another_picture(pictures):
    """BT.709 of limited range, which it takes for video: tens of levels away."""
    narrow = by_hardware(pictures[0], NARROW, limited=True)
    assert np.abs(narrow.astype(int) - small_luma(pictures[0], SIZE)).max() > 8
