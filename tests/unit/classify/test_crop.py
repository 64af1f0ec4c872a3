"""The square that a network sees."""

import hashlib

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import ndimage
from skimage import data

from dooryard.classify import crop
from dooryard.core.records import Box

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


@pytest.mark.parametrize("shape", [(7, 9), (1, 1), (2, 5), (1, 40), (224, 224), (7, 9, 3), (150, 150, 3)])
def test_denoise_is_half_the_median(shape):
    """Reference: scipy's median filter, "nearest" at the edge."""
    pixels = np.random.default_rng(3).integers(0, 256, shape, dtype=np.uint8)
    size = (3, 3, 1)[: len(shape)]
    median = ndimage.median_filter(pixels, size=size, mode="nearest")
    assert (crop.denoise(pixels) == (pixels.astype(int) + median) // 2).all()


def test_denoise_takes_out_noise_and_keeps_an_edge():
    picture = np.full((60, 60), 60)
    picture[:, 30:] = 180
    noise = np.rint(np.random.default_rng(1).normal(0, 23, picture.shape)).astype(int)
    noisy = (picture + noise).clip(0, 255).astype(np.uint8)
    done = crop.denoise(noisy).astype(int)
    assert np.abs(done - picture).mean() < 0.7 * np.abs(noise).mean()
    step = done[:, 30:33].mean() - done[:, 27:30].mean()
    assert step > 0.9 * 120


@given(st.integers(225, 447), st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)  # whole pictures
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
    assert np.abs(np.stack(crop.shrunk(pixels, SIDE)) - np.stack(expected)).max() <= 1.5


@pytest.mark.parametrize("length", [448, 449, 560, 671, 897, 1000, 1793])
def test_shrinking_halves_first(length):
    """Means of 2 x 2 pixels, halves rounded up; what the right and lower edge have over does not count.

    What is then left to shrink is shrunk as a picture of that size is.
    """
    pixels = np.random.default_rng(length).integers(0, 256, (length, length, 3), dtype=np.uint8)
    halved = pixels.astype(int)
    while len(halved) >= 2 * SIDE:
        even = halved[: len(halved) // 2 * 2, : len(halved) // 2 * 2]
        halved = (even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2] + 2) >> 2
    expected = halved
    if len(halved) > SIDE:
        expected = np.stack(crop.shrunk(halved.astype(np.uint8), SIDE), axis=2)
    assert (np.stack(crop.shrunk(pixels, SIDE), axis=2) == expected).all()


@given(st.integers(64, 224), st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)  # whole pictures
def test_growing_is_sharper_and_then_bilinear(length, seed):
    """Reference: scipy's Laplacian, an eighth of it taken away, and scipy's linear interpolation."""
    pixels = np.random.default_rng(seed).integers(0, 256, (length, length, 3), dtype=np.uint8)
    at = (np.arange(SIDE) + 0.5) * length / SIDE - 0.5
    rows, columns = np.meshgrid(at, at, indexing="ij")
    for colour, plane in enumerate(crop.grown(pixels, SIDE)):
        values = pixels[..., colour].astype(float)
        sharper = np.floor(values - ndimage.laplace(values, mode="nearest") / 8 + 0.5).clip(0, 255)
        expected = ndimage.map_coordinates(sharper, [rows, columns], order=1, mode="nearest")
        assert np.abs(plane - expected).max() <= 1.5


@pytest.mark.parametrize("length", [300, 100], ids=["shrinks", "grows"])
def test_noise_is_taken_out_where_the_gain_says_that_there_is_some(length):
    picture = pattern(length, length)
    at = crop.CropWindow(0, 0, length, small=False)
    plain, weak, noisy = (
        np.stack(crop.square(picture, at, gain, SIDE).planes)
        for gain in (None, crop.NOISY_GAIN - 0.1, crop.NOISY_GAIN)
    )
    assert (weak == plain).all()
    if length > SIDE:
        filtered = np.stack([crop.denoise(plane) for plane in plain])
    else:
        filtered = np.stack(crop.square(crop.denoise(picture), at, None, SIDE).planes)
    assert (noisy == filtered).all()
    assert (noisy != plain).any()


def test_a_model_of_its_own_filter_takes_out_more_noise_and_keeps_an_edge():
    """Noise of gain 16, by our own table: 16 levels; a step of 120 levels is a bird's outline."""
    clean = np.full((100, 100, 3), 60, np.uint8)
    clean[:, 50:] = 180
    noise = np.random.default_rng(4).normal(0, 16, clean.shape)
    picture = np.rint((clean + noise).clip(0, 255)).astype(np.uint8)
    smooth = crop.smoothed(picture, 16.0, 7.0)
    for part in (np.s_[10:90, 5:40], np.s_[10:90, 60:95]):
        assert smooth[part].std() < 0.6 * crop.denoise(picture)[part].std()
    assert smooth[10:90, 52].mean() - smooth[10:90, 47].mean() > 100


def test_it_is_used_from_the_models_own_gain_and_on_small_windows_alone():
    ours = crop.NoiseFilter(gain=2.0, sigmas=7.0)
    for length, filtered in (
        (100, lambda picture: crop.grown(crop.smoothed(picture, 3.0, 7.0), SIDE)),
        (300, lambda picture: [crop.denoise(plane) for plane in crop.shrunk(picture, SIDE)]),
    ):
        picture, at = pattern(length, length), crop.CropWindow(0, 0, length, small=False)
        plain, weak, noisy = (
            np.stack(crop.square(picture, at, g, SIDE, ours).planes) for g in (None, 1.9, 3)
        )
        assert (weak == plain).all()
        assert (noisy == np.stack(filtered(picture))).all()


@pytest.mark.parametrize(("mean", "scale"), [(127.0, 128.0), (123.675, 58.395)])
def test_normalised_is_the_value_less_the_mean_over_the_scale(mean, scale):
    """Each step rounded to float32; the second pair is usual for other networks (value from memory)."""
    planes = np.random.default_rng(2).integers(0, 256, (3, 30, 20), dtype=np.uint8)
    expected = (planes.astype(np.float32) - np.float32(mean)) / np.float32(scale)
    assert (crop.normalised(tuple(planes), mean, scale)[0] == expected).all()


@pytest.mark.parametrize("size", [(300, 451), (90, 120)], ids=["shrinks", "grows"])
def test_planes_are_red_green_and_blue_in_order(size):
    picture = np.zeros((*size, 3), dtype=np.uint8)
    picture[..., 0], picture[..., 2] = 255, 127
    planes = crop.prepare(picture, Box(0, 0, 1, 1), None, side=SIDE).planes
    taken = {np.uint8: crop.stacked(planes), np.float32: crop.normalised(planes, MEAN, SCALE)}
    for dtype, values in taken.items():
        assert values.shape == (1, 3, SIDE, SIDE)
        assert values.dtype == dtype
        assert values.flags.c_contiguous
    assert [np.unique(plane).tolist() for plane in taken[np.uint8][0]] == [[255], [0], [127]]
    assert [np.unique(plane).tolist() for plane in taken[np.float32][0]] == [[1.0], [-127 / 128], [0.0]]


GOLDEN = {
    "shrinks": (
        Box(0.1, 0.1, 0.4, 0.4),
        1.0,
        "f695a3582fdbd6547732072b389d0da0491213c118361efa480fd1570cf309f3",
    ),
    "shrinks, noisy": (
        Box(0.1, 0.1, 0.4, 0.4),
        40.0,
        "1726f2dce122ead4b321b43d7424bbd50b555726c4006dec766587d17620ca4d",
    ),
    "shrinks to less than a quarter": (
        Box(0.0, 0.0, 0.7, 0.9),
        None,
        "13791eb40c4018bc7ecdedd5ea96a2f07001238566f2defbfc603bb77261f392",
    ),
    "grows": (
        Box(0.30, 0.30, 0.37, 0.40),
        16.0,
        "67f35325a3fee98801fda6ee6993c35f3d59de6a73e93efadc2486d47c78feec",
    ),
    "grows, noisy": (
        Box(0.30, 0.30, 0.37, 0.40),
        40.0,
        "f2726ce2ac96aa84d282800a16326f331e56859f077ee0bb24bb8d7a967ac6d4",
    ),
}


@pytest.mark.parametrize("optimised", [True, False])
@pytest.mark.parametrize("case", GOLDEN)
def test_preparation_is_the_same_bit_for_bit_everywhere(case, optimised):
    """The digests were made once; they must hold for every supported Python, numpy and OpenCV.

    (Made alike with numpy 1.24 and OpenCV 4.8, and with numpy 2.4 and OpenCV 5.0.)
    Where one changes on purpose, raise `crop.EDITION`.
    Not `optimised`: without what OpenCV does in a processor's own wide steps.
    """
    box, gain, digest = GOLDEN[case]
    cv2.setUseOptimized(optimised)
    try:
        planes = crop.prepare(pattern(960, 1280), box, gain, side=SIDE).planes
        values = crop.normalised(planes, MEAN, SCALE)
    finally:
        cv2.setUseOptimized(True)
    assert hashlib.sha256(values.astype("<f4").tobytes()).hexdigest() == digest


@pytest.mark.parametrize("gain", [None, 40.0])
@pytest.mark.parametrize("side", [200, 224, 300, 700])
def test_preparation_leaves_the_picture_alone_and_takes_a_read_only_one(side, gain):
    picture = pattern(side, side)
    before = picture.copy()
    picture.flags.writeable = False
    crop.prepare(picture, Box(0, 0, 1, 1), gain, side=SIDE)
    assert (picture == before).all()


@pytest.mark.parametrize("length", [100, 223, 224])
def test_sharpness_is_of_what_the_camera_saw_and_not_of_what_was_made_sharper(length):
    """Reference: scipy's linear interpolation of the green; else a small look would be the best picture."""
    picture = data.astronaut()[:length, :length]
    at = (np.arange(SIDE) + 0.5) * length / SIDE - 0.5
    rows, columns = np.meshgrid(at, at, indexing="ij")
    green = ndimage.map_coordinates(picture[..., 1].astype(float), [rows, columns], order=1, mode="nearest")
    prepared = crop.prepare(picture, Box(0, 0, 1, 1), None, side=SIDE)
    assert prepared.sharpness == pytest.approx(crop.sharpness(np.rint(green).astype(np.uint8)), rel=0.1)
    assert prepared.sharpness < 0.7 * crop.sharpness(prepared.planes[1])
    assert crop.sharpness_at(picture, Box(0, 0, 1, 1), None, SIDE) == prepared.sharpness


def test_sharpness_falls_with_blur_and_is_zero_on_a_flat_picture():
    sharp = pattern(224, 224)[..., 1]
    soft = np.asarray(Image.fromarray(sharp).resize((56, 56)).resize((224, 224)))
    assert crop.sharpness(sharp) > crop.sharpness(soft) > 0
    assert crop.sharpness(np.full((224, 224), 9, np.uint8)) == 0


@given(st.integers(3, 40), st.integers(3, 40), st.integers(0, 2**32 - 1))
def test_sharpness_is_the_variance_of_the_laplacian(height, width, seed):
    """Reference: scipy's Laplacian; and to the bit, the variance by whole numbers."""
    plane = np.random.default_rng(seed).integers(0, 256, (height, width), dtype=np.uint8)
    laplacian = ndimage.laplace(plane.astype(float))[1:-1, 1:-1]
    found = crop.sharpness(plane)
    assert found == pytest.approx(laplacian.var(), rel=1e-9, abs=1e-6)
    total, squares = int(laplacian.sum()), int((laplacian.astype(np.int64) ** 2).sum())
    assert found == (squares - float(total) * total / laplacian.size) / laplacian.size


def test_sharpness_is_the_same_to_the_bit_with_and_without_wide_instructions():
    planes = np.random.default_rng(6).integers(0, 256, (50, SIDE, SIDE), dtype=np.uint8)
    wide = [crop.sharpness(plane) for plane in planes]
    cv2.setUseOptimized(False)
    try:
        plain = [crop.sharpness(plane) for plane in planes]
    finally:
        cv2.setUseOptimized(True)
    assert wide == plain
