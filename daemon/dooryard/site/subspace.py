"""What looks at nobody have in common: what that leaves over of another look says how strange it is. Pure.

Two things keep what was learned by mistake from blinding the box. A look that has few like it takes no part
in the directions, so that one or two looks at a visitor do not make it a part of the place; what truly comes
again is soon like others. And lengths are held to what is left over of most looks, so that a few strange ones
do not make all others look usual.

Nor may a place that changed, with snow say, do so for hours: its threshold is little longer than what the
directions, as they are now, leave over of the looks they are made of, each taken as if it had not been among
them (the residual of Allen's PRESS, "The relationship between variable selection and data augmentation and a
method for prediction", Technometrics 16, 1974; cited from memory).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

LEAST = 16  # looks, before there is anything in common
FALSE_RATE = 0.05  # of looks at nobody are called strange
DIRECTIONS = 48  # at most; and no more than a third of the looks they are made of
NEAREST = 4  # a look that is odd is unlike the mean of so many others ...
ODD = 3.0  # ... by this many times what is usual
FARTHEST = 1.75  # times the median: a length is held to that
NEWEST = 128  # looks whose lengths are asked
LONGER = 1.15  # times what is left over of looks that are known: a threshold is no longer
_NOTHING = 1e-9  # a square below which there is no direction
_MOST_SHARE = 0.95  # of a direction: one look alone, above all one of the owner's, may make all of it


class Subspace(NamedTuple):
    """What the looks that were learned have in common."""

    mean: NDArray[np.float32]  # (D,)
    directions: NDArray[np.float32]  # (K, D), of length 1 and at right angles
    longest: float  # the threshold may be no longer


def subspace_of(vectors: NDArray[np.float32], sure: NDArray[np.bool_]) -> Subspace | None:
    """Return what `vectors` (N, D), of length 1, have in common; None for fewer than `LEAST`.

    Those that are odd are left out, unless they are `sure` (N,).
    """
    if len(vectors) < LEAST:
        return None
    inner = np.matmul(vectors, vectors.T)
    alike = inner.copy()
    np.fill_diagonal(alike, -1.0)
    apart = np.maximum(1.0 - np.partition(alike, -NEAREST, axis=1)[:, -NEAREST:].mean(axis=1), 0.0)
    kept = np.flatnonzero((apart <= ODD * np.median(apart)) | sure)
    common = vectors[kept]
    mean = common.mean(axis=0)
    count = min(DIRECTIONS, len(common) // 3, vectors.shape[1] // 8)
    # Of the small matrix of inner products: its eigenvectors say how the looks add up to each direction.
    inner = inner[np.ix_(kept, kept)].astype(np.float64)
    means = inner.mean(axis=0)
    inner += means.mean() - means - means[:, np.newaxis]
    squares, turns = np.linalg.eigh(inner)
    squares, turns = squares[: -count - 1 : -1], turns[:, : -count - 1 : -1]  # the largest, largest first
    scale = np.where(squares > _NOTHING, 1.0 / np.sqrt(np.maximum(squares, _NOTHING)), 0.0)
    directions = np.matmul((turns * scale).T.astype(np.float32), common - mean)
    rest = np.sqrt(np.maximum(np.diag(inner) - np.sum(turns**2 * squares, axis=1), 0.0))
    # How much each look has made the directions what they are: without it, more of it would be left over.
    share = np.minimum(np.sum(turns**2, axis=1) + 1.0 / len(common), _MOST_SHARE)
    return Subspace(mean, directions, LONGER * quantile_of((rest / (1.0 - share))[-NEWEST:]))


def residual(usual: Subspace, vector: NDArray[np.float32]) -> float:
    """How far `vector` (D,) lies from all that its directions reach from the mean."""
    off = vector - usual.mean
    # Not by BLAS: its threads cost more than a product so small.
    along = np.einsum("kd,d->k", usual.directions, off)
    return math.sqrt(max(0.0, float(np.vdot(off, off)) - float(np.vdot(along, along))))


def quantile_of(residuals: NDArray[Any]) -> float:
    """What `FALSE_RATE` of `residuals` (N,) exceed; no more than `FARTHEST` times their median."""
    values = np.sort(residuals)
    return float(min(values[int((1 - FALSE_RATE) * len(values))], FARTHEST * values[len(values) // 2]))
