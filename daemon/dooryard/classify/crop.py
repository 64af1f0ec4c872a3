"""From the large picture to what a network sees: square crop, denoised, resized, normalised. Pure.

Every step is integer arithmetic (as OpenCV's exact resize and Pillow's are), one rounded IEEE operation on
whole numbers (OpenCV's means), or exact in float32 (where a card's mean is a whole number and its scale a
power of two; else one such operation each), so that the same picture gives the same numbers, bit for bit,
on every machine.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias, cast

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from dooryard.records import Box, Rgb

EDITION = 3
"""To be raised when another tensor comes of the same picture: a rehearsal's kept answers are then stale."""

MARGIN = 0.15
"""Added on each side, in parts of the box's longer side: the animal then fills three quarters."""

MIN_SIDE_PX = 64
"""A crop is never smaller. Below it a network sees mostly interpolation, and misses half the birds."""

NOISY_GAIN = 32.0
"""From this gain of the sensor on, noise is taken out. With 4 grey levels of noise at gain 1, growing with
its square root (shot noise; the 4 are our own choice), that is 23 levels: up to there a network sees birds in
photographs better as they are (`tools/measure_model.py --noise-of GAIN`, without and with `--gain GAIN`)."""


Planes: TypeAlias = tuple[NDArray[np.uint8], ...]
"""A picture's red, green and blue, each (H, W), as networks want them."""


class Window(NamedTuple):
    """A square of whole pixels within a picture."""

    left: int
    top: int
    side: int
    small: bool  # True: the animal is too small in the picture to be told with confidence


class Prepared(NamedTuple):
    """One crop, ready for a network."""

    tensor: NDArray[np.float32]  # (1, 3, S, S)
    sharpness: float  # variance of the Laplacian of its green, grey levels squared
    window: Window
    planes: Planes  # what the tensor was made of, each (S, S)


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


def denoise(plane: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return half of `plane` (H, W) and half of the median of the 3 x 3 values around each, rounded down.

    Beyond the edge the last value goes on. The median alone (Tukey 1977, "Exploratory Data Analysis"; cited
    from memory) takes out more noise, and with it the marks by which a small bird is known.
    """
    done = cast("NDArray[np.uint8]", cv2.medianBlur(np.ascontiguousarray(plane), 3))
    rest = done ^ plane
    rest >>= 1
    done &= plane
    done += rest
    return done


def square(picture: Rgb, at: Window, gain: float | None, side: int) -> Planes:
    """Return the window of `picture` (H, W, 3), denoised if the sensor is noisy, as planes (side, side).

    A window that is to shrink is resized first, which already averages noise. To grow, only bicubic is
    smooth enough. From `NOISY_GAIN` on noise is taken out; below it, or where no gain is known, the filter
    would take more of an animal's marks than of noise.
    """
    pixels = picture[at.top : at.top + at.side, at.left : at.left + at.side]
    shrinks = at.side > side
    planes = shrunk(pixels, side) if shrinks else split(pixels)
    if gain is not None and gain >= NOISY_GAIN:
        planes = tuple(denoise(plane) for plane in planes)
    return planes if shrinks else tuple(_grown(plane, side) for plane in planes)


def split(pixels: Rgb) -> Planes:
    """Return the planes of `pixels` (H, W, 3 or more)."""
    return cast(Planes, cv2.split(pixels))


def shrunk(pixels: Rgb, side: int) -> Planes:
    """Return `pixels` (N, N, 3), N > `side`, as planes (side, side).

    First by averages of squares of whole pixels to less than twice `side` (up to `N // side` - 1 pixels at
    the right and lower edge are left out), then bilinear in OpenCV's fixed-point arithmetic, which is the
    same on every machine; four values a pixel go faster there than three.
    """
    times = pixels.shape[0] // side
    if times > 1:
        low = pixels.shape[0] // times
        pixels = cast(
            Rgb, cv2.resize(pixels[: low * times, : low * times], (low, low), interpolation=cv2.INTER_AREA)
        )
    padded = cv2.cvtColor(pixels, cv2.COLOR_RGB2RGBA)
    return split(cast(Rgb, cv2.resize(padded, (side, side), interpolation=cv2.INTER_LINEAR_EXACT)))[:3]


def _grown(plane: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    return np.asarray(Image.fromarray(plane).resize((side, side), Image.Resampling.BICUBIC))


def tensor(planes: Planes, mean: float, scale: float) -> NDArray[np.float32]:
    """Return three planes (H, W) as (1, 3, H, W) float32: (value - mean) / scale, each step rounded.

    Exact when `mean` is a whole number and `scale` a power of two.
    """
    table = (np.arange(256, dtype=np.float32) - np.float32(mean)) / np.float32(scale)
    values = np.empty((1, len(planes), *planes[0].shape), dtype=np.float32)
    for plane, out in zip(planes, values[0], strict=True):
        cv2.LUT(plane, table, dst=out)
    return values


def sharpness(plane: NDArray[np.uint8]) -> float:
    """Return the variance of the Laplacian of `plane` (H, W), in grey levels squared.

    The focus measure of Pech-Pacheco et al. 2000, "Diatom autofocusing in brightfield microscopy: a
    comparative study" (ICPR), with the four-neighbour Laplacian, border left out. Sums are of whole numbers,
    so the order of addition does not matter.
    """
    laplacian = cv2.Laplacian(plane, cv2.CV_16S, ksize=1)[1:-1, 1:-1]  # between -1020 and 1020
    total, squares = cv2.sumElems(laplacian)[0], cv2.norm(laplacian, cv2.NORM_L2SQR)
    return (squares - total * total / laplacian.size) / laplacian.size


def sharpness_at(picture: Rgb, box: Box, gain: float | None, side: int) -> float:
    """Return the `Prepared.sharpness` of `box` in `picture` (H, W, 3) without preparing the rest."""
    height, width = picture.shape[:2]
    return _of_green(square(picture, window(box, width, height), gain, side))


def _of_green(planes: Planes) -> float:
    """Green is what a camera's sensor has most of."""
    _, green, _ = planes
    return sharpness(green)


def prepare(picture: Rgb, box: Box, gain: float | None, *, side: int, mean: float, scale: float) -> Prepared:
    """Crop `box` out of `picture` (H, W, 3 uint8) for a network of input `side` x `side`."""
    height, width = picture.shape[:2]
    at = window(box, width, height)
    planes = square(picture, at, gain, side)
    return Prepared(tensor(planes, mean, scale), _of_green(planes), at, planes)
