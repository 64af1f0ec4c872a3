"""From the large picture to what a network sees: square crop, denoised, resized, normalised. Pure.

Every step is integer arithmetic (as OpenCV's exact resize and Pillow's are), one rounded IEEE operation on
whole numbers (OpenCV's means), or exact in float32 (where a card's mean is a whole number and its scale a
power of two; else one such operation each), so that the same picture gives the same numbers, bit for bit,
on every machine.
"""

from __future__ import annotations

import math
from typing import NamedTuple, cast

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from dooryard.records import Box, Rgb

EDITION = 2
"""To be raised when another tensor comes of the same picture: a rehearsal's kept answers are then stale."""

MARGIN = 0.15
"""Added on each side, in parts of the box's longer side: the animal then fills three quarters."""

MIN_SIDE_PX = 64
"""A crop is never smaller. Below it a network sees mostly interpolation, and misses half the birds."""

NOISY_GAIN = 4.0
"""From this gain of the sensor on, noise is taken out: by `near_levels` it is then 8 grey levels."""

_HALF_DISC = ((0, 1), (0, 2), (1, -1), (1, 0), (1, 1), (2, 0))
"""(down, right) to one of each two opposite neighbours within a radius of 2 pixels."""

_SHARE, _SHIFT, _HALF = np.int16(5), np.int16(6), np.int16(32)
"""A neighbour's share in the mean is 5 / 2**6: as near to 1 / 13 as is needed, and no division."""


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
    pixels: Rgb  # what the tensor was made of, (S, S, 3)


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


def near_levels(gain: float) -> int:
    """Return how far apart two grey levels may be and still be called the same, by the sensor's gain.

    Twice the noise, which grows with the square root of the gain (shot noise); at least 20 levels. The
    20, and 4 levels of noise at gain 1, are our own choice, not a standard.
    """
    return int(min(max(20.0, 8.0 * math.sqrt(gain)), 40.0))


def denoise(pixels: Rgb, near: int) -> Rgb:
    """Return `pixels` (H, W, C) with each value replaced by the mean of the values around it.

    After the sigma filter (Lee 1983, "Digital image smoothing and the sigma filter", CVGIP 24) over a disc
    of radius 2, each colour by itself: a neighbour that differs by more than `near` levels, or lies outside
    the picture, counts as if it were like the middle. It takes out noise and the grain of seed or leaves,
    both of which a network may take for feathers, and leaves the outline of a small bird alone, which a
    Gaussian blur does not. `near` is 1 to 63. Lee's own filter leaves such neighbours out of the mean; that
    tells birds and empty places no better, and takes half as long again.

    Differences wrap around at 256, so full white and full black are near; at worst such a pair moves by a
    thirteenth of `near`. All but the end is arithmetic on whole bytes in flat arrays, because that is what
    processors do fastest.
    """
    height, width, colours = pixels.shape
    values = np.ascontiguousarray(pixels).reshape(-1)
    total = np.zeros(values.size, dtype=np.int16)
    part = np.zeros(values.size, dtype=np.int8)  # steps not yet in `total`
    room = most = 127 // near // 2  # shifts, of two steps each, that `part` can hold
    step, like = np.empty_like(values), np.empty(values.size, dtype=np.bool_)
    for down, right in _HALF_DISC:
        shift = (down * width + right) * colours
        if not 0 < shift < values.size:
            continue
        end = values.size - shift
        _steps(values, near, step[:end], like[:end])
        # In a flat array the neighbour beyond the edge is a pixel of another row: it does not count.
        step.reshape(height, width, colours)[np.s_[:, -right:] if right > 0 else np.s_[:, : -right or 0]] = 0
        if room == 0:
            total += part
            part.fill(0)
            room = most
        room -= 1
        steps = step[:end].view(np.int8)
        part[:end] += steps
        part[shift:] -= steps
    total += part
    total *= _SHARE
    total += _HALF
    total >>= _SHIFT
    total += values
    return total.clip(0, 255, out=total).astype(np.uint8).reshape(pixels.shape)


def _steps(values: NDArray[np.uint8], near: int, step: NDArray[np.uint8], like: NDArray[np.bool_]) -> None:
    """Set `step` (N,) to the step from each of `values` to the one as much later as `values` is longer.

    Steps, to be read as int8, are 0 where they are over `near`. `like` (N,) is scratch.
    """
    np.subtract(values[values.size - step.size :], values[: step.size], out=step)
    within = like.view(np.uint8)
    np.add(step, np.uint8(near), out=within)  # -near .. near becomes 0 .. 2 near, the rest more
    np.less_equal(within, np.uint8(2 * near), out=like)
    step *= within


def square(picture: Rgb, at: Window, gain: float | None, side: int) -> Rgb:
    """Return the window of `picture` (H, W, 3), denoised if the sensor is noisy, resized to (side, side, 3).

    A window that is to shrink is resized first, which already averages noise. To grow, only bicubic is
    smooth enough. From `NOISY_GAIN` on noise is taken out; below it, or where no gain is known, the filter
    would take more of an animal's marks than of noise (`tools/measure_model.py` without and with `--gain 4`).
    """
    pixels = picture[at.top : at.top + at.side, at.left : at.left + at.side]
    shrinks = at.side > side
    if shrinks:
        pixels = shrunk(pixels, side)
    if gain is not None and gain >= NOISY_GAIN:
        pixels = denoise(pixels, near_levels(gain))
    return pixels if shrinks else _grown(pixels, side)


def shrunk(pixels: Rgb, side: int) -> Rgb:
    """Return `pixels` (N, N, 3), N > `side`, as (side, side, 3).

    First by averages of squares of whole pixels to less than twice `side` (up to `N // side` - 1 pixels at
    the right and lower edge are left out), then bilinear in OpenCV's fixed-point arithmetic, which is the
    same on every machine.
    """
    times = pixels.shape[0] // side
    if times > 1:
        low = pixels.shape[0] // times
        pixels = _resized(pixels[: low * times, : low * times], low, cv2.INTER_AREA)
    return _resized(pixels, side, cv2.INTER_LINEAR_EXACT)


def _resized(pixels: Rgb, side: int, how: int) -> Rgb:
    return cast(Rgb, cv2.resize(pixels, (side, side), interpolation=how))


def _grown(pixels: Rgb, side: int) -> Rgb:
    image = Image.fromarray(np.ascontiguousarray(pixels))
    return np.asarray(image.resize((side, side), Image.Resampling.BICUBIC))


def tensor(pixels: Rgb, mean: float, scale: float) -> NDArray[np.float32]:
    """Return an RGB picture (H, W, 3) as (1, 3, H, W) float32: (value - mean) / scale.

    Exact when `mean` is a whole number and `scale` a power of two.
    """
    values = np.empty((1, 3, *pixels.shape[:2]), dtype=np.float32)
    values[0] = pixels.transpose(2, 0, 1)
    values -= np.float32(mean)
    values /= np.float32(scale)
    return values


def sharpness(pixels: Rgb) -> float:
    """Return the variance of the Laplacian of the green of `pixels` (H, W, 3), in grey levels squared.

    The focus measure of Pech-Pacheco et al. 2000, "Diatom autofocusing in brightfield microscopy: a
    comparative study" (ICPR), with the four-neighbour Laplacian, border left out. Green is what a camera's
    sensor has most of. Sums are of whole numbers, so the order of addition does not matter.
    """
    green = pixels[..., 1].astype(np.int16)
    laplacian = green[:-2, 1:-1] + green[2:, 1:-1]
    laplacian += green[1:-1, :-2]
    laplacian += green[1:-1, 2:]
    laplacian -= 4 * green[1:-1, 1:-1]  # between -1020 and 1020
    exact = laplacian.astype(np.float64).reshape(-1)  # whole numbers: their sums fit in 53 bits
    total, squares = float(exact.sum()), float(np.einsum("i,i->", exact, exact))
    return (squares - total * total / exact.size) / exact.size


def prepare(picture: Rgb, box: Box, gain: float | None, *, side: int, mean: float, scale: float) -> Prepared:
    """Crop `box` out of `picture` (H, W, 3 uint8) for a network of input `side` x `side`."""
    height, width = picture.shape[:2]
    at = window(box, width, height)
    pixels = square(picture, at, gain, side)
    return Prepared(tensor(pixels, mean, scale), sharpness(pixels), at, pixels)
