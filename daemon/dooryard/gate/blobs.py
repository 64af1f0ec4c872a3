"""Connected components of a small mask, in numpy and one short loop over runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from dooryard.gate.grid import Mask


class Blob(NamedTuple):
    """One component: its cells (row-major flat indices) and the rectangle around them."""

    cells: NDArray[np.intp]
    y0: int
    x0: int
    y1: int  # exclusive
    x1: int  # exclusive


def components(mask: Mask) -> list[Blob]:
    """8-connected components of `mask`, in the order of their first cell.

    Each row is cut into runs; a run joins those of the next row that it touches, corners included.
    """
    starts, ends, stride = _runs(mask)
    if not len(starts):
        return []
    parent = list(range(len(starts)))
    first = np.searchsorted(ends, starts + stride, side="left").tolist()
    last = np.searchsorted(starts, ends + stride, side="right").tolist()
    for run, (low, high) in enumerate(zip(first, last, strict=True)):
        for other in range(low, high):
            _join(parent, run, other)
    roots = np.array([_root(parent, run) for run in range(len(parent))])
    return _collect(mask, roots, ends - starts)


def _runs(mask: Mask) -> tuple[NDArray[np.intp], NDArray[np.intp], int]:
    """Start and end (exclusive) of each run in a copy of `mask` with a rim column on either side."""
    rows, cols = mask.shape
    stride = cols + 2
    rimmed = np.zeros((rows, stride), np.bool_)
    rimmed[:, 1:-1] = mask
    flat = rimmed.ravel()
    turns = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    return turns[0::2], turns[1::2], stride


def _root(parent: list[int], run: int) -> int:
    while parent[run] != run:
        parent[run] = parent[parent[run]]
        run = parent[run]
    return run


def _join(parent: list[int], one: int, other: int) -> None:
    a, b = _root(parent, one), _root(parent, other)
    if a != b:
        parent[max(a, b)] = min(a, b)


def _collect(mask: Mask, roots: NDArray[np.intp], lengths: NDArray[np.intp]) -> list[Blob]:
    """Sort the cells by component and cut the list."""
    labels = np.repeat(roots, lengths)
    order = np.argsort(labels, kind="stable")
    cells = np.flatnonzero(mask)[order]
    cuts = np.flatnonzero(np.diff(labels[order])) + 1
    begins = np.concatenate(([0], cuts))
    ys, xs = np.divmod(cells, mask.shape[1])
    y0 = np.minimum.reduceat(ys, begins).tolist()
    x0 = np.minimum.reduceat(xs, begins).tolist()
    y1 = np.maximum.reduceat(ys, begins).tolist()
    x1 = np.maximum.reduceat(xs, begins).tolist()
    parts = np.split(cells, cuts)
    return [Blob(part, y0[i], x0[i], y1[i] + 1, x1[i] + 1) for i, part in enumerate(parts)]
