"""The place's own ways of moving: what the wind does again and again, it does along a few patterns.

A feeder that swings and a bush that bows change many cells together, each time along the same patterns of
lighter and darker cells. These are the principal components of the maps of change (Oliver, Rosario &
Pentland, "A Bayesian computer vision system for modeling human interactions", IEEE Transactions on Pattern
Analysis and Machine Intelligence 22(8), 2000), learned a few frames at a time while nobody is there (Levy &
Lindenbaum, "Sequential Karhunen-Loeve basis extraction and its application to images", IEEE Transactions on
Image Processing 9(8), 2000). What they explain of a frame is the wind; a visitor is what they leave over.

A body must not be explained away by a pattern that happens to run through it. So the weights follow the
many cells that agree, and what sticks out counts only up to a bound (Huber, "Robust estimation of a
location parameter", Annals of Mathematical Statistics 35, 1964).

Changes come averaged over a body's size, so every second cell of every second row tells all: patterns are
kept for these.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.gate.grid import Map, clip, downsampled, product, upsampled

Maps = NDArray[np.float32]  # (number, few rows, few cols)

MODES = 14  # patterns: many more would begin to explain visitors too
BATCH = 8  # frames that are learned from at once
FIRST = 16  # frames to learn from before anything is explained
PATTERN_S = 0.35  # a frame is learned from once in so long
MEMORY = 2200  # frames: about a quarter of an hour with nobody there
CLIP = 0.35  # log brightness: one cell's say in a pattern is bounded
FLOOR = 0.025  # log brightness squared, summed over the few cells: weaker patterns are noise, trusted less
STICKS_OUT = 1.5  # times its usual deviation and spread: a cell's say in the weights ends there ...
LEAST = 0.02  # ... or at this change of log brightness
KNOWN_GUST = 2.0  # deviations, root mean square over the patterns, that a known wind stays below
WORST_GUST = 4.0  # a gust raises what is usual by this factor at most
GUST_FADES_S = 2.0
RIDGE = 0.002  # log brightness squared: noise of a part of the view to which patterns are fitted
_NOTHING = 1e-9  # strength below which there is no pattern


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Patterns of change, the strongest first. Arrays are never written to in place."""

    patterns: Maps  # (MODES, few rows, few cols), each of length 1; zero while not yet known
    strength: NDArray[np.float32]  # (MODES,), mean square of each one's weight
    waiting: Maps  # (BATCH, few rows, few cols), frames to be learned from
    seen: int = 0  # frames learned from, and waiting
    due_s: float = 0.0  # time since the last of these
    gust: float = 1.0  # factor on what is usual, fading


class Decomposition(NamedTuple):
    """What the patterns make of a frame."""

    known: Map | None  # (rows, cols), of the change: what the known wind explains; None: nothing
    gust: float  # factor >= 1 on what is usual: how far this wind goes beyond all that was known


def downsampled_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Shape of `downsampled` of a map of `shape`."""
    return (shape[0] + 1) // 2, (shape[1] + 1) // 2


def no_modes(shape: tuple[int, int]) -> Modes:
    """Nothing learned yet, for maps of `shape` (rows, cols)."""
    small = downsampled_shape(shape)
    nothing = np.zeros((MODES, *small), np.float32)
    return Modes(nothing, np.zeros(MODES, np.float32), np.zeros((BATCH, *small), np.float32))


def pattern_count(modes: Modes) -> int:
    """How many patterns are stronger than noise."""
    return int(np.count_nonzero(modes.strength > FLOOR)) if modes.seen >= FIRST else 0


def _any_known(modes: Modes) -> bool:
    return modes.seen >= FIRST and float(modes.strength[0]) > FLOOR  # the strongest comes first


def decomposition(
    modes: Modes, change: Map, widest_spread: Map, deviation: Map, dt_s: float
) -> Decomposition:
    """Split `change` (log brightness) by the patterns.

    `widest_spread` and `deviation` say how far each cell usually goes.
    """
    fading = 1 + (modes.gust - 1) * math.exp(-dt_s / GUST_FADES_S)
    if not _any_known(modes):
        return Decomposition(None, fading)
    seen = downsampled(change)
    bound = widest_spread[::2, ::2] + deviation[::2, ::2]
    bound *= np.float32(STICKS_OUT)
    bound += np.float32(LEAST)
    weights = _along(modes, seen)
    rest = seen - _sum(modes, weights)
    rest -= np.minimum(np.maximum(rest, -bound), bound)  # what sticks out, beyond its bound
    weights -= _along(modes, rest)
    trusted = weights / (modes.strength + np.float32(FLOOR))
    far = math.sqrt(float(np.vdot(weights, trusted)) / MODES)
    trusted *= modes.strength
    return Decomposition(
        upsampled(_sum(modes, trusted), change.shape), max(fading, min(WORST_GUST, far / KNOWN_GUST))
    )


def fitted(modes: Modes, change: Map, rows: slice, cols: slice) -> Map:
    """What the patterns explain of `change` within `rows` and `cols`, however large: few cells of it.

    Each pattern's weight is fitted to these cells alone, and held back only by how rarely it is as large
    (Hoerl & Kennard, "Ridge regression", Technometrics 12, 1970). Both slices begin at an even cell.
    """
    count = pattern_count(modes)
    seen = change[rows, cols][::2, ::2]
    if not count:
        return np.zeros_like(seen)
    patterns = modes.patterns[:count, _downsampled_slice(rows), _downsampled_slice(cols)]
    # Not as products of matrices: a part of a pattern does not lie in one piece.
    inner = np.einsum("irc,jrc->ij", patterns, patterns).astype(np.float64)
    along = np.einsum("krc,rc->k", patterns, seen).astype(np.float64)
    ridge = np.diag(RIDGE / modes.strength[:count].astype(np.float64))
    weights = np.linalg.solve(inner + ridge, along).astype(np.float32)
    total: Map = np.einsum("k,krc->rc", weights, patterns)
    return total


def _downsampled_slice(part: slice) -> slice:
    """Where the few cells of an even `part` lie among all few cells."""
    return slice(part.start // 2, (part.stop + 1) // 2)


def _along(modes: Modes, change: Map) -> NDArray[np.float32]:
    """The weight of each pattern in `change`."""
    # Not as a product of matrices: with a vector it would be shared out between threads.
    weights: NDArray[np.float32] = np.einsum("kn,n->k", modes.patterns.reshape(MODES, -1), change.ravel())
    return weights


def _sum(modes: Modes, weights: NDArray[np.float32]) -> Map:
    """The patterns, each with its weight, added up."""
    total: Map = np.einsum("k,kn->n", weights, modes.patterns.reshape(MODES, -1))
    return total.reshape(modes.patterns.shape[1:])


def learned(modes: Modes, change: Map, gust: float, dt_s: float, *, quiet: bool) -> Modes:
    """The patterns after a frame; it is learned from when it is due and `quiet`: nobody can be there."""
    due_s = modes.due_s + dt_s
    if not quiet or due_s < PATTERN_S:
        return Modes(modes.patterns, modes.strength, modes.waiting, modes.seen, due_s, gust)
    waiting, seen = modes.waiting.copy(), modes.seen + 1
    waiting[modes.seen % BATCH] = clip(downsampled(change), CLIP)
    patterns, strength = modes.patterns, modes.strength
    if seen % BATCH == 0:
        patterns, strength = _turned(patterns, strength, waiting, max(BATCH / seen, BATCH / MEMORY))
    return Modes(patterns, strength, waiting, seen, 0.0, gust)


def _turned(
    patterns: Maps, strength: NDArray[np.float32], frames: Maps, weight: float
) -> tuple[Maps, NDArray[np.float32]]:
    """The strongest patterns of the old ones and `frames` together; all frames together have `weight`.

    The old covariance is that of the patterns times the roots of their strengths; so the new patterns are
    the right singular vectors of both on top of each other, found by the small matrix of inner products.
    """
    rows = np.concatenate((patterns, frames)).reshape(MODES + len(frames), -1)
    rows[:MODES] *= np.sqrt(strength * np.float32(1 - weight))[:, None]
    rows[MODES:] *= np.float32(math.sqrt(weight / len(frames)))
    squares, turns = np.linalg.eigh(product(rows, rows.T).astype(np.float64))
    best = slice(None, -MODES - 1, -1)  # the largest come last
    squares = np.maximum(squares[best], 0.0)
    scale = np.divide(1.0, np.sqrt(squares), out=np.zeros_like(squares), where=squares > _NOTHING)
    by_row = (turns[:, best] * scale).T.astype(np.float32)
    turned = product(by_row, rows).reshape(patterns.shape)
    return turned, squares.astype(np.float32)
