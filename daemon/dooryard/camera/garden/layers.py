"""Layers of a picture as stacks of planes, fast to bend in the wind and to put on top of each other.

Planes are uint8 arrays of shape (C, H, W): three colours, or one luma. A layer that lies on top of
another carries its opacity as a last plane, and its colours are premultiplied by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Planes = NDArray[np.uint8]  # (C, H, W)
Field = NDArray[np.float32]  # (H/2, W/2), displacements in pixels of the layer

STEPS_ACROSS = 4  # a layer is kept at this many sub-pixel shifts to the right ...
STEPS_DOWN = 2  # ... and down
# BT.601 luma, Recommendation ITU-R BT.601-7, section 2.5.1.
LUMA = (0.299, 0.587, 0.114)


def luma_image(image: Image.Image) -> Image.Image:
    """RGB to L, RGBA to LA, with BT.601 weights."""
    colours = np.asarray(image.convert("RGB"), dtype=np.float32)
    weights = np.array(LUMA, np.float32)
    grey = Image.fromarray((colours @ weights + 0.5).astype(np.uint8))
    return Image.merge("LA", (grey, image.getchannel("A"))) if image.mode == "RGBA" else grey


def premultiplied(image: Image.Image) -> Image.Image:
    """RGBA to RGBa, LA to La; other modes stay."""
    return image.convert({"RGBA": "RGBa", "LA": "La"}.get(image.mode, image.mode))


def image_planes(image: Image.Image) -> Planes:
    """Bands of an image as contiguous planes (C, H, W)."""
    pixels = np.asarray(image)
    if pixels.ndim == 2:
        pixels = pixels[..., None]
    return np.ascontiguousarray(pixels.transpose(2, 0, 1))


def _shifted(plane: NDArray[np.uint8], across: float, down: float) -> NDArray[np.uint8]:
    """`plane` seen a part of a pixel further right and down, (H, W); its outermost pixels wrap around.

    Cubic convolution with a = -1/2 (Keys, IEEE Trans. ASSP 29, 1981), rounded to the nearest level, so
    that a layer does not grow darker as it bends.
    """
    values = plane.astype(np.float32)
    for part, axis in ((across, 1), (down, 0)):
        if part > 0.0:
            near = (-0.5 * part + part**2 - 0.5 * part**3, 1.0 - 2.5 * part**2 + 1.5 * part**3)
            far = (0.5 * part + 2.0 * part**2 - 1.5 * part**3, -0.5 * part**2 + 0.5 * part**3)
            taps = zip((1, 0, -1, -2), (*near, *far), strict=True)
            values = sum(
                (np.float32(weight) * np.roll(values, move, axis) for move, weight in taps),
                start=np.zeros_like(values),
            )
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


class BentLayer:
    """A layer that can be drawn with each pixel taken from a little way off.

    Each output pixel is one look-up: the layer is stored at STEPS_ACROSS x STEPS_DOWN sub-pixel shifts, so
    a displacement of a quarter pixel (half a pixel down) needs no arithmetic on pixels.
    """

    def __init__(self, image: Image.Image, margin: int, area: tuple[int, int, int, int]) -> None:
        """`image` carries `margin` pixels beyond the view; `area` (even numbers) is drawn, in view pixels."""
        left, top, right, bottom = area
        stored = premultiplied(image.crop((left, top, right + 2 * margin, bottom + 2 * margin)))
        self._width = stored.width
        self._size = stored.width * stored.height
        bands = len(stored.getbands())
        self._flat = np.empty((bands, STEPS_DOWN * STEPS_ACROSS * self._size), np.uint8)
        planes = image_planes(stored)
        for down in range(STEPS_DOWN):
            for across in range(STEPS_ACROSS):
                start = (down * STEPS_ACROSS + across) * self._size
                for band, plane in enumerate(planes):
                    moved = _shifted(plane, across / STEPS_ACROSS, down / STEPS_DOWN)
                    self._flat[band, start : start + self._size] = moved.ravel()
        rows = (np.arange(0, bottom - top, 2) + margin) * stored.width
        self._start = rows[:, None] + np.arange(0, right - left, 2) + margin
        self._index = np.empty((bottom - top, right - left), np.intp)
        self._limit = margin - 2

    def draw(self, across: Field, down: Field, out: Planes) -> None:
        """Fill `out` (C, height, width of the area) with pixels from `across`, `down` to the right and below.

        The displacements have half the area's resolution.
        """
        quarters = np.rint(np.clip(across, -self._limit, self._limit) * STEPS_ACROSS).astype(np.intp)
        halves = np.rint(np.clip(down, -self._limit, self._limit) * STEPS_DOWN).astype(np.intp)
        offset = ((halves % STEPS_DOWN) * STEPS_ACROSS + quarters % STEPS_ACROSS) * self._size
        offset += (halves // STEPS_DOWN) * self._width + quarters // STEPS_ACROSS
        offset += self._start
        for y in (0, 1):
            for x in (0, 1):
                np.add(offset, y * self._width + x, out=self._index[y::2, x::2])
        for source, target in zip(self._flat, out, strict=True):
            # "clip" only spares the bounds check: no index is out of bounds, see _limit.
            np.take(source, self._index, out=target, mode="clip")


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A small layer with premultiplied colours, and where its upper left corner goes."""

    planes: Planes  # (C + 1, h, w), the last is the opacity
    left: int
    top: int


def place(
    image: Image.Image,
    pivot: tuple[float, float],
    at: tuple[float, float],
    tilt_deg: float = 0.0,
    stretch: tuple[float, float] = (1.0, 1.0),
) -> Patch:
    """Turn a premultiplied `image` about `pivot` and put the pivot at `at`, to a fraction of a pixel.

    `tilt_deg` is anticlockwise as seen; `stretch` is applied before turning, a negative one mirrors.
    """
    cosine, sine = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    corners = [
        ((x - pivot[0]) * stretch[0], (y - pivot[1]) * stretch[1])
        for x in (0, image.width)
        for y in (0, image.height)
    ]
    across = [at[0] + x * cosine + y * sine for x, y in corners]
    down = [at[1] - x * sine + y * cosine for x, y in corners]
    left, top = math.floor(min(across)) - 1, math.floor(min(down)) - 1
    size = (math.ceil(max(across)) + 1 - left, math.ceil(max(down)) + 1 - top)
    # Pillow asks for the way back, from the patch to the image.
    a, b = cosine / stretch[0], -sine / stretch[0]
    d, e = sine / stretch[1], cosine / stretch[1]
    x0, y0 = left - at[0], top - at[1]
    back = (a, b, a * x0 + b * y0 + pivot[0], d, e, d * x0 + e * y0 + pivot[1])
    turned = image.transform(size, Image.Transform.AFFINE, back, resample=Image.Resampling.BILINEAR)
    return Patch(image_planes(turned), left, top)


def smeared(patch: Patch, across: float, down: float) -> Patch:
    """`patch` blurred by a movement of `across`, `down` pixels while the shutter was open."""
    steps = min(9, int(max(abs(across), abs(down))) + 1)
    if steps < 2:
        return patch
    pad_x, pad_y = int(abs(across) / 2) + 1, int(abs(down) / 2) + 1
    count, height, width = patch.planes.shape
    total = np.zeros((count, height + 2 * pad_y, width + 2 * pad_x), np.uint16)
    for step in range(steps):
        share = step / (steps - 1) - 0.5
        x, y = pad_x + round(across * share), pad_y + round(down * share)
        total[:, y : y + height, x : x + width] += patch.planes
    return Patch((total // steps).astype(np.uint8), patch.left - pad_x, patch.top - pad_y)


def lay_over(below: Planes, patch: Patch) -> None:
    """Draw `patch` onto `below` (C, H, W) in place; what falls outside is dropped."""
    height, width = below.shape[1:]
    x0, y0 = max(0, patch.left), max(0, patch.top)
    x1 = min(width, patch.left + patch.planes.shape[2])
    y1 = min(height, patch.top + patch.planes.shape[1])
    if x0 >= x1 or y0 >= y1:
        return
    part = patch.planes[:, y0 - patch.top : y1 - patch.top, x0 - patch.left : x1 - patch.left]
    target = below[:, y0:y1, x0:x1]
    through = 256 - part[-1].astype(np.uint16) - (part[-1] >> 7)
    shown = (target * through) >> 8
    np.minimum(shown + part[:-1], 255, out=target, casting="unsafe")
