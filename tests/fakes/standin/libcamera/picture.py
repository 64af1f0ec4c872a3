"""What the camera sees, in the bytes of each stream's format and colour space."""

from __future__ import annotations

import functools
import mmap
from typing import Any

import numpy as np

from .board import board
from .values import ColorSpace

# Luma of red, green and blue: BT.601 and BT.709 (ITU-R recommendations, both from memory).
_WEIGHTS = {
    ColorSpace.YcbcrEncoding.Rec601: (0.299, 0.587, 0.114),
    ColorSpace.YcbcrEncoding.Rec709: (0.2126, 0.7152, 0.0722),
}


def fill(plane: Any, stream: Any, number: int) -> None:
    """Write frame `number` into the buffer behind `plane`, row padding included."""
    width, height, stride = stream.size.width, stream.size.height, stream.stride
    with mmap.mmap(plane.fd, plane.length) as area:
        pixels = np.full(plane.length, 0x5A, np.uint8)
        if stream.pixel_format.name == "YUV420":
            rows = pixels.reshape(-1, stride)
            rows[:height, :width] = _luma(board.scene, stream.color_space, (width, height), number)
        else:
            rows = pixels.reshape(height, stride)
            rows[:, : width * 3] = _seen(board.scene, (width, height), number).reshape(height, -1)
        area[:] = pixels.tobytes()


def _luma(scene: str | None, colours: ColorSpace, size: tuple[int, int], number: int) -> np.ndarray:
    if scene is None:
        width, height = size
        return np.tile((np.arange(width) + number).astype(np.uint8), (height, 1))
    return _luma_of_scene(scene, colours.ycbcrEncoding, colours.range, size)


@functools.lru_cache(4)
def _luma_of_scene(scene: str, encoding: Any, extent: Any, size: tuple[int, int]) -> np.ndarray:
    """As the hardware does it: luma of each pixel, in the colour space's range, then a mean over blocks."""
    seen = np.load(scene).astype(float)
    luma = seen @ np.array(_WEIGHTS[encoding])
    if extent is ColorSpace.Range.Limited:
        luma = 16 + luma * (219 / 255)
    width, height = size
    down, across = luma.shape[0] // height, luma.shape[1] // width
    blocks = luma[: down * height, : across * width].reshape(height, down, width, across)
    return np.round(blocks.mean((1, 3))).astype(np.uint8)


def _seen(scene: str | None, size: tuple[int, int], number: int) -> np.ndarray:
    if scene is not None:
        return np.load(scene)
    width, height = size
    shown = np.zeros((height, width, 3), np.uint8)
    for channel in range(3):
        shown[:, channel * width // 3 : (channel + 1) * width // 3, channel] = 100 + number % 100
    return shown
