"""The coarse grid that the gate works on, and the few filters it needs.

A luma of any size from 160x120 to 640x480 becomes about 80 columns of cells. All maps are float32
arrays of shape (rows, cols).
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dooryard.records import Box

if TYPE_CHECKING:
    from dooryard.gate.settings import Polygon
    from dooryard.records import Luma

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

COLUMNS = 80
BLACK = 10.0  # added before the logarithm, in grey levels: keeps sensor noise in the dark small


def cell_size(luma_shape: tuple[int, int]) -> int:
    """Pixels along the side of one cell, for a luma of shape (H, W)."""
    return max(1, round(luma_shape[1] / COLUMNS))


def grid_shape(luma_shape: tuple[int, int]) -> tuple[int, int]:
    """(rows, cols) of the grid; pixels that fill no whole cell at the right and bottom are left out."""
    size = cell_size(luma_shape)
    return luma_shape[0] // size, luma_shape[1] // size


@lru_cache(maxsize=4)
def _log_table(size: int) -> Map:
    """log(mean + BLACK) for every possible sum of a cell's pixels."""
    sums = np.arange(255 * size * size + 1, dtype=np.float64)
    return np.log(sums / (size * size) + BLACK).astype(np.float32)


def cell_sums(luma: Luma) -> NDArray[np.uint16]:
    """Sum of the pixels in each cell: (H, W) uint8 -> (rows, cols) uint16 (cells of up to 16x16)."""
    size = cell_size((luma.shape[0], luma.shape[1]))
    rows, cols = grid_shape((luma.shape[0], luma.shape[1]))
    part = luma[: rows * size, : cols * size]
    tall = part[0::size].astype(np.uint16)
    for row in range(1, size):
        tall += part[row::size]
    if size % 2 == 0:  # halving first is faster than striding over single pixels
        tall = tall[:, 0::2] + tall[:, 1::2]
        size //= 2
    sums: NDArray[np.uint16] = tall[:, 0::size].copy()
    for col in range(1, size):
        sums += tall[:, col::size]
    return sums


def log_cells(sums: NDArray[np.uint16], size: int) -> Map:
    """Logarithm of each cell's brightness: in it a gain is a constant."""
    return _log_table(size)[sums]


def box_mean(values: Map, radius: int) -> Map:
    """Mean over the (2r+1)x(2r+1) cells around each; beyond the rim the rim's values go on."""
    rows, cols = values.shape
    span = 2 * radius + 1
    wide = np.empty((rows + span, cols), np.float32)
    wide[: radius + 1] = values[0]
    wide[radius + 1 : radius + 1 + rows] = values
    wide[radius + 1 + rows :] = values[-1]
    wide[0] = 0
    np.add.accumulate(wide, 0, out=wide)
    tall = wide[span:] - wide[:-span]
    wide = np.empty((rows, cols + span), np.float32)
    wide[:, : radius + 1] = tall[:, :1]
    wide[:, radius + 1 : radius + 1 + cols] = tall
    wide[:, radius + 1 + cols :] = tall[:, -1:]
    wide[:, 0] = 0
    np.add.accumulate(wide, 1, out=wide)
    out = wide[:, span:] - wide[:, :-span]
    out *= np.float32(1 / (span * span))
    return out


def neighbour_max(values: Map) -> Map:
    """Largest of the 3x3 cells around each."""
    wide = values.copy()
    np.maximum(wide[:, 1:], values[:, :-1], out=wide[:, 1:])
    np.maximum(wide[:, :-1], values[:, 1:], out=wide[:, :-1])
    out = wide.copy()
    np.maximum(out[1:], wide[:-1], out=out[1:])
    np.maximum(out[:-1], wide[1:], out=out[:-1])
    return out


def cells_of(box: Box, shape: tuple[int, int], margin: int = 0) -> tuple[slice, slice]:
    """Rows and columns of the grid that `box` touches, widened by `margin` cells; never empty."""
    rows, cols = shape
    x0 = min(cols - 1, max(0, int(np.floor(box.x0 * cols)) - margin))
    y0 = min(rows - 1, max(0, int(np.floor(box.y0 * rows)) - margin))
    x1 = max(x0 + 1, min(cols, int(np.ceil(box.x1 * cols)) + margin))
    y1 = max(y0 + 1, min(rows, int(np.ceil(box.y1 * rows)) + margin))
    return slice(y0, y1), slice(x0, x1)


def mask_of(boxes: tuple[Box, ...], shape: tuple[int, int], margin: int = 0) -> Mask:
    """True in every cell that one of `boxes` touches."""
    out = np.zeros(shape, np.bool_)
    for box in boxes:
        out[cells_of(box, shape, margin)] = True
    return out


@lru_cache(maxsize=8)
def polygon_mask(polygons: tuple[Polygon, ...], shape: tuple[int, int]) -> Mask:
    """True in every cell whose centre lies in one of `polygons` (even-odd rule). Do not write to it."""
    rows, cols = shape
    x = (np.arange(cols) + 0.5)[None, :] / cols
    y = (np.arange(rows) + 0.5)[:, None] / rows
    out = np.zeros(shape, np.bool_)
    for polygon in polygons:
        inside = np.zeros(shape, np.bool_)
        for (ax, ay), (bx, by) in zip(polygon, polygon[1:] + polygon[:1], strict=True):
            if ay == by:
                continue
            crosses = ((ay > y) != (by > y)) & (x < ax + (y - ay) * (bx - ax) / (by - ay))
            inside ^= crosses
        out |= inside
    out.setflags(write=False)
    return out
