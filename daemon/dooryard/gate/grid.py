"""The coarse grid that the gate works on, and the few filters it needs.

A luma of any size from 160x120 to 640x480 becomes about 80 columns of cells. All maps are float32
arrays of shape (rows, cols).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dooryard.core.records import Box

if TYPE_CHECKING:
    from dooryard.core.records import Luma
    from dooryard.gate.settings import Polygon

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

COLUMNS = 80
BLACK = 10.0  # grey levels, added before a logarithm: keeps sensor noise in the dark small
DARK = 2.0  # grey levels, added before the logarithm that the gain is measured with
WHITE = 250.0  # grey levels: a cell's mean above this may be clipped
ONE_THREAD = 200_000  # multiplications; OpenBLAS begins to share a product out at 2**18


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
    part = luma[: rows * size, : cols * size].reshape(rows, size, cols * size)
    sums: NDArray[np.uint16] = np.add.reduce(part, axis=1, dtype=np.uint16)
    while size % 2 == 0:  # halving is faster than striding over single pixels
        sums = sums[:, 0::2] + sums[:, 1::2]
        size //= 2
    tall, sums = sums, sums[:, 0::size]
    for col in range(1, size):
        sums = sums + tall[:, col::size]
    return sums


def cell_means(luma: Luma) -> Map:
    """Mean grey level of each cell, 0..255."""
    size = cell_size((luma.shape[0], luma.shape[1]))
    means: Map = cell_sums(luma).astype(np.float32, order="C")
    means *= np.float32(1 / (size * size))
    return means


def box_mean(values: Map, radius: int) -> Map:
    """Mean over the (2r+1)x(2r+1) cells around each; beyond the rim the rim's values go on."""
    rows, cols = values.shape
    inner = slice(radius, -radius)
    wide = np.empty((rows + 2 * radius, cols + 2 * radius), np.float32)
    wide[inner, inner] = values
    wide[inner, :radius] = values[:, :1]
    wide[inner, -radius:] = values[:, -1:]
    wide[:radius] = wide[radius]
    wide[-radius:] = wide[-radius - 1]
    tall = _sliding(wide, radius)
    # All rows in one line: what runs over a row's end falls into the rim, which is cut off.
    wide[:rows].ravel()[: -2 * radius] = _sliding(tall.ravel(), radius)
    return wide[:rows, :cols] * np.float32(1 / (2 * radius + 1) ** 2)


def _sliding(values: Map, radius: int) -> Map:
    """Sum of each 2r+1 entries that follow each other along the first axis, r >= 1: two by two, and one."""
    count = len(values) - 2 * radius
    pairs = values[:-1] + values[1:]
    out = pairs[:count] + values[2 * radius :]
    for shift in range(2, 2 * radius, 2):
        out += pairs[shift : count + shift]
    return out


def broad_mean(values: Map, radius: int, shape: tuple[int, ...]) -> Map:
    """About `box_mean`, for wide boxes, of a map of `shape` of which the few cells are given.

    Two small matrix products: a mean over many cells costs no more than one over few.
    """
    down, across = _averaging(shape[0], radius // 2), _averaging(shape[1], radius // 2)
    return product(product(down, values), across.T)


@lru_cache(maxsize=8)
def _averaging(count: int, radius: int) -> Map:
    """The matrix (count, few) that takes each cell's mean over 2r+1 few cells. Do not write to it."""
    less = (count + 1) // 2
    near = np.clip(np.arange(less)[:, None] + np.arange(-radius, radius + 1), 0, less - 1)
    out = np.zeros((less, less), np.float32)
    np.add.at(out, (np.arange(less)[:, None], near), np.float32(1 / (2 * radius + 1)))
    out = out.repeat(2, 0)[:count]
    out.setflags(write=False)
    return out


def clip(values: Map, most: float) -> Map:
    """`values`, brought within -most..most in place."""
    np.maximum(values, np.float32(-most), out=values)
    np.minimum(values, np.float32(most), out=values)
    return values


def product(left: Map, right: Map) -> Map:
    """The product of two matrices, in parts so small that a linear algebra library shares none out.

    Waking other threads costs such products many times what they take, and changes their last bits.
    """
    rows = ONE_THREAD // right.size
    if len(left) <= rows:
        whole: Map = np.matmul(left, right)
        return whole
    if rows < 2:  # one row alone would be taken for a vector, and those are shared out far sooner
        slow: Map = np.einsum("ij,jk->ik", left, right)
        return slow
    parts = -(-len(left) // rows)
    ends = [len(left) * part // parts for part in range(parts + 1)]
    return np.concatenate([np.matmul(left[a:b], right) for a, b in pairwise(ends)])


def downsampled(values: Map) -> Map:
    """Every second cell of every second row, as a map of its own."""
    return values[::2, ::2].copy()


def upsampled(values: Map, shape: tuple[int, ...]) -> Map:
    """A map of `shape` from its few cells: those between are the means of their neighbours."""
    return product(product(_between(shape[0]), values), _between(shape[1]).T)


@lru_cache(maxsize=8)
def _between(count: int) -> Map:
    """The matrix (count, few) that takes few cells to all of them. Do not write to it."""
    at = np.arange(count)
    out = np.zeros((count, (count + 1) // 2), np.float32)
    out[at, at // 2] += np.float32(0.5)
    out[at, np.minimum((at + 1) // 2, out.shape[1] - 1)] += np.float32(0.5)
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
