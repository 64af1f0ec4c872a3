"""From the large picture to what a network sees: square crop, denoised, resized, normalised. Pure.

Every step is integer arithmetic (Pillow's resize is) or exact in float32 but for one IEEE division, so
that the same picture gives the same numbers, bit for bit, on every machine.
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
    image: Image.Image  # what the tensor was made of, S x S


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
    and leaves the outline of a small bird alone, which a Gaussian blur does not. `near` is 1 to 63.

    All but the last division is arithmetic on whole bytes, in flat arrays, because that is what
    processors do fastest.
    """
    height, width, colours = pixels.shape
    values = np.ascontiguousarray(pixels).reshape(-1)
    total, count = np.zeros(values.size, dtype=np.int16), np.ones(values.size, dtype=np.uint8)
    part = np.zeros(values.size, dtype=np.int8)  # steps not yet in `total`; holds 127 // near of them
    room = most = 127 // near // 2
    for down, right in _HALF_DISC:
        shift = (down * width + right) * colours
        if not 0 < shift < values.size:
            continue
        step, like = _steps(values, shift, near)
        # In a flat array the neighbour beyond the edge is a pixel of another row: it does not count.
        outside = np.s_[:, -right:] if right > 0 else np.s_[:, : -right or 0]
        for array in (step, like):
            array.reshape(height, width, colours)[outside] = 0
        if room == 0:
            total += part
            part.fill(0)
            room = most
        room -= 1
        end = values.size - shift
        part[:end] += step[:end]
        part[shift:] -= step[:end]
        count[:end] += like[:end]
        count[shift:] += like[:end]
    total += part
    change = np.divide(total, count, dtype=np.float32)  # IEEE division: the same on every machine
    change += np.float32(0.5)
    np.floor(change, out=change)  # rounded to nearest
    return (values + change.astype(np.int8).view(np.uint8)).reshape(pixels.shape)


def _steps(values: NDArray[np.uint8], shift: int, near: int) -> tuple[NDArray[np.int8], NDArray[np.uint8]]:
    """Return, for each of `values` (N,), the step to the one `shift` later if it is near, and if it is.

    Both (N,), steps 0 where not near; the last `shift` entries mean nothing.
    """
    step, like = np.empty(values.size, dtype=np.uint8), np.empty(values.size, dtype=np.uint8)
    here, there = values[:-shift], values[shift:]
    ahead, same = step[:-shift], like[:-shift]
    np.maximum(here, there, out=ahead)
    np.minimum(here, there, out=same)
    ahead -= same
    np.less_equal(ahead, near, out=same.view(np.bool_))
    np.subtract(there, here, out=ahead)  # wraps around, and so is right as int8 where near
    ahead *= same
    return step.view(np.int8), like


def square(picture: Rgb, at: Window, gain: float | None, side: int) -> Image.Image:
    """Return the window of `picture` (H, W, 3), denoised and resized to `side` pixels (bicubic).

    A window that is to shrink is resized first, which already averages noise. (Pillow's Hamming filter
    would save 0.4 ms of a look's 5, but a network notices that it was not trained with it.)
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
    values = np.empty((1, 3, image.height, image.width), dtype=np.float32)
    values[0] = np.asarray(image).transpose(2, 0, 1)
    values -= np.float32(mean)
    values /= np.float32(scale)
    return values


def sharpness(image: Image.Image) -> float:
    """Return the variance of the Laplacian of the grey picture, in grey levels squared.

    The focus measure of Pech-Pacheco et al. 2000, "Diatom autofocusing in brightfield microscopy: a
    comparative study" (ICPR), with the four-neighbour Laplacian, border left out. Sums are of whole
    numbers, so the order of addition does not matter.
    """
    grey = np.asarray(image.convert("L"), dtype=np.int16)
    laplacian = grey[:-2, 1:-1] + grey[2:, 1:-1]
    laplacian += grey[1:-1, :-2]
    laplacian += grey[1:-1, 2:]
    laplacian -= 4 * grey[1:-1, 1:-1]  # between -1020 and 1020
    wide = laplacian.astype(np.int32)
    total, squares = int(wide.sum(dtype=np.int64)), int((wide * wide).sum(dtype=np.int64))
    return (squares - total * total / wide.size) / wide.size


def prepare(picture: Rgb, box: Box, gain: float | None, *, side: int, mean: float, scale: float) -> Prepared:
    """Crop `box` out of `picture` (H, W, 3 uint8) for a network of input `side` x `side`."""
    height, width = picture.shape[:2]
    at = window(box, width, height)
    image = square(picture, at, gain, side)
    return Prepared(tensor(image, mean, scale), sharpness(image), at, image)
