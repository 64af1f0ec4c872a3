"""A pole that shakes moves the whole picture: how far, and what of the change that explains.

To first order a picture that is moved by (u, v) cells changes by -(u d/dx + v d/dy) of itself (the
constraint of Horn & Schunck, "Determining optical flow", Artificial Intelligence 17, 1981); u and v
follow by least squares over the whole picture (Lucas & Kanade, IJCAI 1981).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.gate.grid import BLACK, Map, clip

CLIP = 0.3  # log brightness: one cell's say in the shift is bounded
CALM = 0.02  # log brightness, root mean square over all cells: less than this is not worth the trouble
LEAST_CELLS = 0.04  # a smaller shift is left alone
MOST_CELLS = 1.5  # beyond this the first order does not hold
LEAST_SHARE = 0.15  # of the change must be explained, or it is no shift


class Slopes(NamedTuple):
    """How the background changes over two cells, as a part of it, in every second inner cell."""

    maps: NDArray[np.float32]  # (2, number): across, down
    xx: float  # sums of their products
    yy: float
    xy: float


def slopes_of(background: Map) -> Slopes:
    """Of `background`, grey levels, (rows, cols)."""
    mid, low = background[1:-1:2], background[:, 1:-1:2]
    inner = mid[:, 1:-1:2] + np.float32(BLACK)
    rows, cols = inner.shape
    maps = np.empty((2, rows, cols), np.float32)
    np.subtract(mid[:, 2::2][:, :cols], mid[:, 0:-2:2][:, :cols], out=maps[0])
    np.subtract(low[2::2][:rows], low[0:-2:2][:rows], out=maps[1])
    maps /= inner
    across, down = maps.reshape(2, -1)
    squares = (float(np.vdot(a, b)) for a, b in ((across, across), (down, down), (across, down)))
    return Slopes(maps.reshape(2, -1), *squares)


def steadied(raw: Map, background: Map, slopes: Slopes) -> tuple[Map, tuple[float, float]]:
    """`raw` without what a shift of the whole picture explains, and that shift in cells (right, down).

    `raw` is the log of what is seen against `background` (grey levels), both (rows, cols).
    """
    if np.einsum("ij,ij->", raw, raw) < CALM**2 * raw.size:
        return raw, (0.0, 0.0)
    change = clip(raw[1:-1:2, 1:-1:2].copy(), CLIP).ravel()
    total = float(np.vdot(change, change))
    xt, yt = np.einsum("kn,n->k", slopes.maps, change).tolist()
    xx, yy, xy = slopes.xx, slopes.yy, slopes.xy
    det = xx * yy - xy * xy
    if det <= 1e-6 * (xx + yy) ** 2:
        return raw, (0.0, 0.0)
    # The differences span two cells, so these are half shifts.
    u, v = (yy * xt - xy * yt) / det, (xx * yt - xy * xt) / det
    large = LEAST_CELLS <= max(abs(u), abs(v)) * 2 <= MOST_CELLS
    if not large or u * xt + v * yt < LEAST_SHARE * total:
        return raw, (0.0, 0.0)
    out = raw.copy()
    dark = background + np.float32(BLACK)
    out[:, 1:-1] -= np.float32(u) * (background[:, 2:] - background[:, :-2]) / dark[:, 1:-1]
    out[1:-1] -= np.float32(v) * (background[2:] - background[:-2]) / dark[1:-1]
    return out, (-2 * u, -2 * v)
