"""Colour to small luma, against the formula of ITU-R BT.601 and a block mean worked in numpy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from dooryard.camera.luma import small_luma

BT601 = np.array([0.299, 0.587, 0.114])  # ITU-R BT.601; from memory, as Pillow's documentation has them


@given(st.lists(st.tuples(*[st.integers(0, 255)] * 3), min_size=1, max_size=20))
def test_weights_are_those_of_bt601(colours):
    pixels = np.array([colours], np.uint8)
    luma = small_luma(pixels, (len(colours), 1))
    assert np.abs(luma[0] - pixels[0] @ BT601).max() <= 0.51  # half a level of rounding, and 16-bit weights


@settings(max_examples=40)
@given(arrays.arrays(np.uint8, (12, 16, 3)), st.sampled_from([(8, 6), (4, 3), (16, 12), (2, 12), (1, 1)]))
def test_whole_factors_give_the_block_mean(pixels, size):
    width, height = size
    grey = (pixels @ BT601).reshape(height, 12 // height, width, 16 // width).mean(axis=(1, 3))
    assert np.abs(small_luma(pixels, size) - grey).max() <= 1.01  # rounded twice


@pytest.mark.parametrize("size", [(320, 240), (5, 3), (7, 48), (100, 100)])
def test_any_size_keeps_an_even_picture_even(size):
    luma = small_luma(np.full((48, 64, 3), (10, 200, 30), np.uint8), size)
    assert luma.shape == size[::-1]
    assert np.unique(luma).tolist() == [124]  # 0.299*10 + 0.587*200 + 0.114*30 = 123.81


def test_uneven_factors_keep_the_mean():
    pixels = np.random.default_rng(3).integers(0, 256, (37, 53, 3), dtype=np.uint8)
    assert small_luma(pixels, (20, 10)).mean() == pytest.approx((pixels @ BT601).mean(), abs=0.6)


def test_the_result_is_contiguous_and_read_only():
    luma = small_luma(np.zeros((48, 64, 3), np.uint8), (32, 24))
    assert luma.dtype == np.uint8
    assert luma.flags.c_contiguous
    assert not luma.flags.writeable
