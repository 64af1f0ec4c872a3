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
BLACK = 10.0  # grey levels, added before a logarithm: keeps sensor noise in the dark small
WHITE = 250.0  # grey levels: a cell's mean above this may be clipped


def cell_size(luma_shape: tuple[int, int]) -> int:
    """Pixels along the side of one cell, for a luma of shape (H, W)."""
    return max(1, round(luma_shape[1] / COLUMNS))


def grid_shape(luma_shape: tuple[int, int]) -> tuple[int, int]:
    """(rows, cols) of the grid; pixels that fill no whole cell at the right and bottom are left out."""
    size = cell_size(luma_shape)
    return luma_shape[0] // size, luma_shape[1] // size


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


def cell_means(luma: Luma) -> Map:
    """Mean grey level of each cell, 0..255."""
    size = cell_size((luma.shape[0], luma.shape[1]))
    return cell_sums(luma).astype(np.float32) * np.float32(1 / (size * size))


def box_mean(values: Map, radius: int) -> Map:
    """Mean over the (2r+1)x(2r+1) cells around each; beyond the rim the rim's values go on."""
    tall = _sliding(values, radius)
    return _sliding(np.ascontiguousarray(tall.T), radius).T * np.float32(1 / (2 * radius + 1) ** 2)


def _sliding(values: Map, radius: int) -> Map:
    """Sum over 2r+1 rows around each row, by adding shifted copies."""
    rows = len(values)
    wide = np.concatenate((values[:1].repeat(radius, 0), values, values[-1:].repeat(radius, 0)))
    out = wide[:rows] + wide[1 : rows + 1]
    for shift in range(2, 2 * radius + 1):
        out += wide[shift : rows + shift]
    return out


def broad_mean(few: Map, radius: int, shape: tuple[int, ...]) -> Map:
    """About `box_mean`, for wide boxes, of a map of `shape` of which every second cell is given.

    Two small matrix products: a mean over many cells costs no more than one over few.
    """
    rows, cols = few.shape
    mean = np.matmul(np.matmul(_averaging(rows, radius // 2), few), _averaging(cols, radius // 2).T)
    broad: Map = mean.repeat(2, 0).repeat(2, 1)[: shape[0], : shape[1]]
    return broad


@lru_cache(maxsize=8)
def _averaging(count: int, radius: int) -> Map:
    """The matrix that takes the mean over 2r+1 of `count` cells. Do not write to it."""
    near = np.clip(np.arange(count)[:, None] + np.arange(-radius, radius + 1), 0, count - 1)
    out = np.zeros((count, count), np.float32)
    np.add.at(out, (np.arange(count)[:, None], near), np.float32(1 / (2 * radius + 1)))
    out.setflags(write=False)
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
