"""The square that a network sees."""

import hashlib
from itertools import product

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import ndimage

from dooryard.classify import crop
from dooryard.records import Box

SIDE, MEAN, SCALE = 224, 127.0, 128.0


def pattern(height: int, width: int) -> np.ndarray:
    """A picture made by whole-number arithmetic alone: the same everywhere."""
    y, x, c = np.mgrid[0:height, 0:width, 0:3]
    return ((x * 7 + y * 13 + c * 29 + (x * y) // 5) % 251).astype(np.uint8)


@st.composite
def boxes(draw):
    x0, x1 = sorted(draw(st.tuples(*[st.integers(0, 1000)] * 2).filter(lambda pair: pair[0] != pair[1])))
    y0, y1 = sorted(draw(st.tuples(*[st.integers(0, 1000)] * 2).filter(lambda pair: pair[0] != pair[1])))
    return Box(x0 / 1000, y0 / 1000, x1 / 1000, y1 / 1000)


@given(boxes(), st.integers(1, 3000), st.integers(1, 3000))
def test_window_lies_within_the_picture_and_is_as_large_as_promised(box, width, height):
    at = crop.window(box, width, height)
    assert 0 <= at.left <= width - at.side
    assert 0 <= at.top <= height - at.side
    assert min(crop.MIN_SIDE_PX, width, height) <= at.side <= min(width, height)


@given(boxes(), st.integers(200, 3000), st.integers(200, 3000))
def test_window_holds_the_whole_box_where_a_square_can(box, width, height):
    at = crop.window(box, width, height)
    longer_px = max((box.x1 - box.x0) * width, (box.y1 - box.y0) * height)
    if longer_px <= min(width, height):
        assert at.left <= box.x0 * width + 1
        assert at.top <= box.y0 * height + 1
        assert at.left + at.side >= box.x1 * width - 1
        assert at.top + at.side >= box.y1 * height - 1


@pytest.mark.parametrize(
    ("box", "expected"),
    [
        pytest.param(Box(0.4, 0.4, 0.6, 0.5), (370, 230, 260, False), id="margin on both sides"),
        pytest.param(Box(0.0, 0.0, 0.1, 0.1), (0, 0, 130, False), id="moved in from the corner"),
        pytest.param(Box(0.5, 0.5, 0.52, 0.52), (478, 376, 64, True), id="widened, and says so"),
        pytest.param(Box(0.0, 0.0, 1.0, 1.0), (100, 0, 800, False), id="whole picture: its middle"),
    ],
)
def test_window_by_hand(box, expected):
    assert crop.window(box, 1000, 800) == expected


def test_a_picture_smaller_than_the_least_window_is_taken_whole_and_called_small():
    assert crop.window(Box(0, 0, 1, 1), 50, 40) == (5, 0, 40, True)


@pytest.mark.parametrize(("gain", "levels"), [(1.0, 20), (4.0, 20), (9.0, 24), (16.0, 32), (100.0, 40)])
def test_what_counts_as_like_grows_with_the_gain(gain, levels):
    assert crop.near_levels(gain) == levels


@pytest.mark.parametrize("near", [1, 20, 31, 40, 63])
@pytest.mark.parametrize("shape", [(7, 9, 3), (1, 1, 3), (2, 5, 3), (1, 40, 3)])
def test_denoise_is_the_mean_of_like_neighbours(shape, near):
    """Against the definition, written as plain loops (after Lee 1983, sigma filter)."""
    random = np.random.default_rng(3)
    pixels = random.integers(0, 90, shape).astype(np.uint8)
    pixels[random.random(shape) < 0.2] = 255
    pixels[random.random(shape) < 0.1] = 0
    done = crop.denoise(pixels, near)
    height, width, colours = shape
    for y, x, c in product(range(height), range(width), range(colours)):
        steps = [
            int(pixels[y + dy, x + dx, c]) - int(pixels[y, x, c])
            for dy, dx in product(range(-2, 3), repeat=2)
            if dy * dy + dx * dx <= 4 and 0 <= y + dy < height and 0 <= x + dx < width
        ]
        around = [(step + 128) % 256 - 128 for step in steps]  # white and black are near each other
        mean = int(pixels[y, x, c]) + 5 / 64 * sum(step for step in around if abs(step) <= near)
        assert done[y, x, c] == min(max(int(np.floor(mean + 0.5)), 0), 255)


def test_denoise_is_lees_filter_where_all_around_is_alike():
    """To the nearest level: the mean of all 13 (5 / 64 stands for 1 / 13)."""
    pixels = np.random.default_rng(5).integers(100, 116, (40, 40, 3)).astype(np.uint8)
    disc = np.array([[dy * dy + dx * dx <= 4 for dx in range(-2, 3)] for dy in range(-2, 3)], dtype=float)
    expected = np.stack([ndimage.convolve(pixels[..., c].astype(float), disc / 13) for c in range(3)], axis=2)
    inner = np.s_[2:-2, 2:-2]
    assert np.abs(crop.denoise(pixels, 40)[inner] - expected[inner]).max() <= 0.8


def test_denoise_takes_out_noise_and_keeps_an_edge():
    picture = np.full((60, 60, 3), 60, dtype=np.int64)
    picture[:, 30:] = 180
    noise = np.rint(np.random.default_rng(1).normal(0, 4, picture.shape)).astype(np.int64)
    done = crop.denoise((picture + noise).astype(np.uint8), 20).astype(np.int64)
    assert np.abs(done - picture).mean() < 0.5 * np.abs(noise).mean()
    assert (done[:, 30:] - 120 > 40).all()
    assert (120 - done[:, :30] > 40).all()


@given(st.integers(225, 447), st.integers(0, 2**32 - 1))
@settings(max_examples=20)
def test_shrinking_to_over_half_is_bilinear(length, seed):
    """Reference: scipy's linear interpolation at the middles of the smaller pixels.

    Half a level off at most for rounding, and half a level for each direction's weights in 256ths.
    """
    pixels = np.random.default_rng(seed).integers(0, 256, (length, length, 3), dtype=np.uint8)
    at = (np.arange(SIDE) + 0.5) * length / SIDE - 0.5
    rows, columns = np.meshgrid(at, at, indexing="ij")
    expected = [
        ndimage.map_coordinates(pixels[..., c].astype(float), [rows, columns], order=1, mode="nearest")
        for c in range(3)
    ]
    assert np.abs(crop.shrunk(pixels, SIDE) - np.stack(expected, axis=2)).max() <= 1.5


@given(st.integers(2, 6), st.integers(0, 5), st.integers(0, 2**32 - 1))
@settings(max_examples=20)
def test_shrinking_by_whole_pixels_is_their_mean(times, over, seed):
    """What the right and lower edge have over does not count. Means are rounded, halves either way."""
    length = times * SIDE + min(over, times - 1)
    pixels = np.random.default_rng(seed).integers(0, 256, (length, length, 3), dtype=np.uint8)
    whole = pixels[: times * SIDE, : times * SIDE].reshape(SIDE, times, SIDE, times, 3)
    means = whole.sum(axis=(1, 3), dtype=np.int64) / times**2
    assert np.abs(crop.shrunk(pixels, SIDE) - means).max() <= 0.5


@pytest.mark.parametrize("length", [300, 100], ids=["shrinks", "grows"])
def test_noise_is_taken_out_where_the_gain_says_that_there_is_some(length):
    picture = pattern(length, length)
    at = crop.Window(0, 0, length, small=False)
    plain = crop.square(picture, at, None, SIDE)
    assert (crop.square(picture, at, crop.NOISY_GAIN - 0.1, SIDE) == plain).all()
    noisy = crop.square(picture, at, crop.NOISY_GAIN, SIDE)
    filtered = crop.denoise(plain if length > SIDE else picture, crop.near_levels(crop.NOISY_GAIN))
    assert (noisy == (filtered if length > SIDE else crop.square(filtered, at, None, SIDE))).all()
    assert (noisy != plain).any()


@pytest.mark.parametrize("size", [(300, 451), (90, 120)], ids=["shrinks", "grows"])
def test_tensor_is_normalised_planes_in_order(size):
    picture = np.zeros((*size, 3), dtype=np.uint8)
    picture[..., 0], picture[..., 2] = 255, 127
    tensor = crop.prepare(picture, Box(0, 0, 1, 1), None, side=SIDE, mean=MEAN, scale=SCALE).tensor
    assert tensor.shape == (1, 3, SIDE, SIDE)
    assert tensor.dtype == np.float32
    assert tensor.flags.c_contiguous
    assert [np.unique(plane).tolist() for plane in tensor[0]] == [[1.0], [-127 / 128], [0.0]]


GOLDEN = {
    "shrinks": (
        Box(0.1, 0.1, 0.4, 0.4),
        1.0,
        "f695a3582fdbd6547732072b389d0da0491213c118361efa480fd1570cf309f3",
    ),
    "shrinks, noisy": (
        Box(0.1, 0.1, 0.4, 0.4),
        6.0,
        "9416b7dade182e3bac63add40018e897961f7b6c4ee2e48c07a32c1db1293ab4",
    ),
    "shrinks to less than a quarter": (
        Box(0.0, 0.0, 0.7, 0.9),
        None,
        "9d72d5170495acceac03401a81e569a61e85c3db424cfcc43cbc061754ecacef",
    ),
    "grows": (
        Box(0.30, 0.30, 0.37, 0.40),
        16.0,
        "8a00c0faead4dc4daaefdbeb6ebd11279ceef01ae4917aade506de8c5fb39287",
    ),
}


@pytest.mark.parametrize("optimised", [True, False])
@pytest.mark.parametrize("case", GOLDEN)
def test_preparation_is_the_same_bit_for_bit_everywhere(case, optimised):
    """The digests were made once; they must hold for every supported Python, numpy, OpenCV and Pillow.

    (Made alike with numpy 1.24, OpenCV 4.8 and Pillow 10.0, and with numpy 2.4, OpenCV 5.0 and Pillow 13.0.)
    Where one changes on purpose, raise `crop.EDITION`.
    Not `optimised`: without what OpenCV does in a processor's own wide steps.
    """
    box, gain, digest = GOLDEN[case]
    cv2.setUseOptimized(optimised)
    try:
        tensor = crop.prepare(pattern(960, 1280), box, gain, side=SIDE, mean=MEAN, scale=SCALE).tensor
    finally:
        cv2.setUseOptimized(True)
    assert hashlib.sha256(tensor.astype("<f4").tobytes()).hexdigest() == digest


def test_preparation_leaves_the_picture_alone_and_takes_a_read_only_one():
    picture = pattern(200, 300)
    before = picture.copy()
    picture.flags.writeable = False
    crop.prepare(picture, Box(0.2, 0.2, 0.8, 0.8), None, side=SIDE, mean=MEAN, scale=SCALE)
    assert (picture == before).all()


def test_sharpness_falls_with_blur_and_is_zero_on_a_flat_picture():
    sharp = pattern(224, 224)
    soft = np.asarray(Image.fromarray(sharp).resize((56, 56)).resize((224, 224)))
    assert crop.sharpness(sharp) > crop.sharpness(soft) > 0
    assert crop.sharpness(np.full((224, 224, 3), 9, np.uint8)) == 0
