"""Connected components of a small map of signs, in numpy and one short loop over runs."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Signs = NDArray[np.int8]  # -1, 0, 1
Index = NDArray[np.intp]


class Blob(NamedTuple):
    """One component: its cells (row-major flat indices) and the rectangle around them."""

    cells: Index
    y0: int
    x0: int
    y1: int  # exclusive
    x1: int  # exclusive


def components(signs: Signs, least_cells: int = 1) -> tuple[list[Blob], int]:
    """8-connected components of equal non-zero values of `signs`, in the order of their first cell.

    Those of fewer than `least_cells` cells are only counted: the second result.

    Lighter and darker cells side by side are two components: one body is mostly one or the other, and
    what swings shows both. Each row is cut into runs; a run joins those of the next row that it touches,
    corners included.
    """
    starts, ends, values, stride = _runs(signs)
    if not len(starts):
        return [], 0
    parent = list(range(len(starts)))
    first = np.searchsorted(ends, starts + stride, side="left").tolist()
    last = np.searchsorted(starts, ends + stride, side="right").tolist()
    kind = values.tolist()
    for run, (low, high) in enumerate(zip(first, last, strict=True)):
        for other in range(low, high):
            if kind[run] == kind[other]:
                _join(parent, run, other)
    roots = np.array([_root(parent, run) for run in range(len(parent))])
    return _collect(signs, roots, ends - starts, least_cells)


def _runs(signs: Signs) -> tuple[Index, Index, Signs, int]:
    """Start, end (exclusive) and value of each run in a copy with a rim column on either side."""
    rows, cols = signs.shape
    stride = cols + 2
    rimmed = np.zeros((rows, stride), np.int8)
    rimmed[:, 1:-1] = signs
    flat = rimmed.ravel()
    turns = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    values = flat[turns]
    begins = np.flatnonzero(values)
    return turns[begins], turns[begins + 1], values[begins], stride


def _root(parent: list[int], run: int) -> int:
    while parent[run] != run:
        parent[run] = parent[parent[run]]
        run = parent[run]
    return run


def _join(parent: list[int], one: int, other: int) -> None:
    a, b = _root(parent, one), _root(parent, other)
    if a != b:
        parent[max(a, b)] = min(a, b)


def _collect(signs: Signs, roots: Index, lengths: Index, least_cells: int) -> tuple[list[Blob], int]:
    """Sort the cells by component and cut the list."""
    labels = np.repeat(roots, lengths)
    sizes = np.bincount(labels)
    large = sizes >= least_cells
    specks = int(np.count_nonzero(sizes)) - int(np.count_nonzero(large))
    cells = np.flatnonzero(signs)
    if specks:
        chosen = large[labels]
        labels, cells = labels[chosen], cells[chosen]
    if not len(cells):
        return [], specks
    order = np.argsort(labels, kind="stable")
    cells, labels = cells[order], labels[order]
    begins = np.concatenate(([0], np.flatnonzero(labels[1:] != labels[:-1]) + 1))
    ys, xs = np.divmod(cells, signs.shape[1])
    y0, x0 = np.minimum.reduceat(ys, begins).tolist(), np.minimum.reduceat(xs, begins).tolist()
    y1, x1 = np.maximum.reduceat(ys, begins).tolist(), np.maximum.reduceat(xs, begins).tolist()
    ends = [*begins[1:].tolist(), len(cells)]
    return [
        Blob(cells[begin:end], y0[i], x0[i], y1[i] + 1, x1[i] + 1)
        for i, (begin, end) in enumerate(zip(begins.tolist(), ends, strict=True))
    ], specks
