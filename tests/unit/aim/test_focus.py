"""The focus number on a real photograph: the cat of scikit-image (CC0), blurred more and more.

That a focus measure has one top and falls from there as the picture blurs is what such measures are compared
by: Groen, Young and Ligthart, Cytometry 6 (1985), from memory.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest
from skimage.data import chelsea

from dooryard.aim.focus import MIDDLE, focus_score
from dooryard.core.records import Box

CAT = chelsea()
BOXES = (MIDDLE, Box(0, 0, 1, 1), Box(0.2, 0.2, 0.6, 0.5))


@pytest.mark.parametrize("box", BOXES)
def test_the_more_blurred_the_lower(box):
    blurred = [cv2.GaussianBlur(CAT, (0, 0), sigma) for sigma in (0.4, 0.6, 0.9, 1.3, 2.0, 3.0, 5.0, 8.0)]
    scores = [focus_score(picture, box) for picture in (CAT, *blurred)]
    assert all(later < earlier for earlier, later in pairwise(scores))


@pytest.mark.parametrize("light", [0.4, 0.6, 0.8])
def test_less_light_changes_it_little(light):
    dimmed = np.round(CAT * light).astype(np.uint8)
    assert focus_score(dimmed) == pytest.approx(focus_score(CAT), rel=0.1)


def test_it_is_that_of_the_frame_alone():
    half = CAT.copy()
    half[:, : CAT.shape[1] // 2] = cv2.GaussianBlur(half[:, : CAT.shape[1] // 2], (0, 0), 4)
    assert focus_score(half, Box(0.6, 0.2, 0.9, 0.8)) == focus_score(CAT, Box(0.6, 0.2, 0.9, 0.8))
    assert focus_score(half, Box(0.1, 0.2, 0.4, 0.8)) < focus_score(CAT, Box(0.1, 0.2, 0.4, 0.8)) / 3


def test_too_dark_to_tell():
    assert focus_score(np.full((100, 100, 3), 3, np.uint8)) is None


@pytest.mark.parametrize("box", [Box(0.999, 0.999, 1, 1), Box(0, 0, 0.001, 0.001), Box(0.5, 0.5, 0.5, 0.5)])
def test_a_tiny_frame_is_widened(box):
    assert focus_score(CAT, box) >= 0
