"""From the large picture to what a network sees: square crop, denoised, resized, normalised. Pure.

All steps but the last are integer arithmetic (Pillow's resize is), and the last one is exact in
float32, so that the same picture gives the same numbers, bit for bit, on every machine.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from dooryard.records import Box, Rgb

MARGIN = 0.15
"""Added on each side, in parts of the box's longer side: the animal then fills three quarters."""

MIN_SIDE_PX = 64
"""A crop is never smaller. Below it a network sees mostly interpolation, and misses half the birds."""

_HALF_DISC = ((0, 1), (0, 2), (1, -1), (1, 0), (1, 1), (2, 0))
"""(down, right) to one of each two opposite neighbours within a radius of 2 pixels."""


class Window(NamedTuple):
    """A square of whole pixels within a picture."""

    left: int
    top: int
    side: int
    small: bool  # True: the animal is too small in the picture to be told with confidence


class Prepared(NamedTuple):
    """One crop, ready for a network."""

    tensor: NDArray[np.float32]  # (1, 3, S, S)
    sharpness: float  # variance of the Laplacian, grey levels squared
    window: Window


def window(box: Box, width: int, height: int) -> Window:
    """Return the square around `box` in a picture of `width` x `height` pixels.

    It has a margin, is moved to lie inside the picture, is at least `MIN_SIDE_PX` wide (and says when
    it had to be widened for that), and at most as wide as the picture's shorter side.
    """
    longer_px = max((box.x1 - box.x0) * width, (box.y1 - box.y0) * height)
    wanted = int(longer_px * (1 + 2 * MARGIN) + 0.5)
    side = min(max(wanted, MIN_SIDE_PX), width, height)
    x, y = box.centre
    left = min(max(int(x * width - side / 2 + 0.5), 0), width - side)
    top = min(max(int(y * height - side / 2 + 0.5), 0), height - side)
    return Window(left, top, side, small=min(wanted, width, height) < MIN_SIDE_PX)


def near_levels(gain: float | None) -> int:
    """Return how far apart two grey levels may be and still be called the same, by the sensor's gain.

    Twice the noise, which grows with the square root of the gain (shot noise); at least 20 levels. The
    20, and 4 levels of noise at gain 1, are our own choice, not a standard.
    """
    return 20 if gain is None else int(min(max(20.0, 8.0 * math.sqrt(gain)), 40.0))


def denoise(pixels: Rgb, near: int) -> Rgb:
    """Return `pixels` (H, W, C) with each value replaced by the mean of those like it around it.

    The sigma filter (Lee 1983, "Digital image smoothing and the sigma filter", CVGIP 24) over a disc of
    radius 2, each colour by itself: only neighbours that differ by at most `near` levels are averaged.
    It takes out noise and the grain of seed or leaves, both of which a network may take for feathers,
    and leaves the outline of a small bird alone, which a Gaussian blur does not.
    """
    values = pixels.astype(np.int16)
    height, width = values.shape[:2]
    total, count = np.zeros_like(values), np.ones_like(values)  # |total| <= 12 * 255: fits
    for down, right in _HALF_DISC:
        rows, columns = max(height - down, 0), max(width - abs(right), 0)
        left, there_left = max(-right, 0), max(right, 0)
        here = np.s_[:rows, left : left + columns]
        there = np.s_[down : down + rows, there_left : there_left + columns]
        step = values[there] - values[here]
        same = np.abs(step) <= near
        step *= same
        total[here] += step
        total[there] -= step
        count[here] += same
        count[there] += same
    return (values + (2 * total + count) // (2 * count)).astype(np.uint8)  # rounded to nearest


def square(picture: Rgb, at: Window, gain: float | None, side: int) -> Image.Image:
    """Return the window of `picture` (H, W, 3), denoised and resized to `side` pixels (bicubic).

    A window that is to shrink is resized first, which already averages noise.
    """
    pixels = picture[at.top : at.top + at.side, at.left : at.left + at.side]
    if at.side > side:
        return Image.fromarray(denoise(_resized(pixels, side), near_levels(gain)))
    return Image.fromarray(_resized(denoise(pixels, near_levels(gain)), side))


def _resized(pixels: Rgb, side: int) -> Rgb:
    image = Image.fromarray(np.ascontiguousarray(pixels))
    return np.asarray(image.resize((side, side), Image.Resampling.BICUBIC))


def tensor(image: Image.Image, mean: float, scale: float) -> NDArray[np.float32]:
    """Return an RGB picture as (1, 3, H, W) float32: (value - mean) / scale.

    Exact when `mean` is a whole number and `scale` a power of two.
    """
    values = (np.asarray(image, dtype=np.float32) - np.float32(mean)) / np.float32(scale)
    return np.ascontiguousarray(values.transpose(2, 0, 1)[np.newaxis])


def sharpness(image: Image.Image) -> float:
    """Return the variance of the Laplacian of the grey picture, in grey levels squared.

    The focus measure of Pech-Pacheco et al. 2000, "Diatom autofocusing in brightfield microscopy: a
    comparative study" (ICPR), with the four-neighbour Laplacian, border left out. Sums are of whole
    numbers, so the order of addition does not matter.
    """
    grey = np.asarray(image.convert("L"), dtype=np.int64)
    around = grey[:-2, 1:-1] + grey[2:, 1:-1] + grey[1:-1, :-2] + grey[1:-1, 2:]
    laplacian = around - 4 * grey[1:-1, 1:-1]
    count = laplacian.size
    total, squares = int(laplacian.sum()), int((laplacian * laplacian).sum())
    return (squares - total * total / count) / count


def prepare(picture: Rgb, box: Box, gain: float | None, *, side: int, mean: float, scale: float) -> Prepared:
    """Crop `box` out of `picture` (H, W, 3 uint8) for a network of input `side` x `side`."""
    height, width = picture.shape[:2]
    at = window(box, width, height)
    image = square(picture, at, gain, side)
    return Prepared(tensor(image, mean, scale), sharpness(image), at)
