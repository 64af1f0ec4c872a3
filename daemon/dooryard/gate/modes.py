"""The place's own ways of moving: what the wind does again and again, it does along a few patterns.

A feeder that swings and a bush that bows change many cells together, each time along the same patterns of
lighter and darker cells. These are the principal components of the maps of change (Oliver, Rosario &
Pentland, "A Bayesian computer vision system for modeling human interactions", IEEE Transactions on Pattern
Analysis and Machine Intelligence 22(8), 2000), learned from one frame at a time while nobody is there
(Weng, Zhang & Hwang, "Candid covariance-free incremental principal component analysis", the same 25(8),
2003). What they explain of a frame is the wind; a visitor is what they leave over.

A body must not be explained away by a pattern that happens to run through it. So the weights follow the
many cells that agree, and what sticks out counts only up to a bound (Huber, "Robust estimation of a
location parameter", Annals of Mathematical Statistics 35, 1964).

Sums are worked out by `numpy.einsum` on one thread: the same frames give the same bits everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.gate.grid import Map

MODES = 12  # patterns: more would begin to explain visitors too
FIRST = 20  # frames to learn from before anything is explained
LEARN_S = 0.35  # a frame is learned from once in so long
MEMORY_LOOKS = 2200  # about a quarter of an hour of frames with nobody there
CLIP = 0.35  # log brightness: one cell's say in a pattern is bounded
FLOOR = 0.1  # log brightness squared, summed over cells: weaker patterns are noise, and trusted less
STICKS_OUT = 1.5  # times its usual unrest: a cell's say in the weights ends there ...
LEAST = 0.02  # ... or at this change of log brightness
ROUNDS = 2
KNOWN_GUST = 2.0  # deviations, root mean square over the patterns, that a known wind stays below
WORST_GUST = 4.0  # a gust raises what is usual by this factor at most
GUST_FADES_S = 2.0
_NOTHING = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Patterns of change, strongest first on the whole. Arrays are never written to in place."""

    patterns: NDArray[np.float32]  # (MODES, rows, cols), of length 1; zero while not yet known
    strength: NDArray[np.float32]  # (MODES,), mean square of each one's weight
    seen: int = 0  # frames that they were learned from
    due_s: float = 0.0  # time since the last of these
    gust: float = 1.0  # factor on what is usual, fading


class Swing(NamedTuple):
    """What the patterns make of a frame."""

    part: Map  # (rows, cols), of the change: what the known wind explains
    gust: float  # factor >= 1 on what is usual: how far this wind goes beyond all that was known


def no_modes(shape: tuple[int, int]) -> Modes:
    """Nothing learned yet, for maps of `shape` (rows, cols)."""
    return Modes(np.zeros((MODES, *shape), np.float32), np.zeros(MODES, np.float32))


def known(modes: Modes) -> int:
    """How many patterns are stronger than noise."""
    return int(np.count_nonzero(modes.strength > FLOOR)) if modes.seen >= FIRST else 0


def swing(modes: Modes, change: Map, unrest: Map, dt_s: float) -> Swing:
    """Split `change` (log brightness) by the patterns; `unrest` is how far each cell usually strays."""
    fading = 1 + (modes.gust - 1) * math.exp(-dt_s / GUST_FADES_S)
    if modes.seen < FIRST:
        return Swing(np.zeros_like(change), fading)
    bound = unrest * np.float32(STICKS_OUT)
    bound += np.float32(LEAST)
    weights = _along(modes, change)
    for _ in range(ROUNDS):
        rest = change - _sum(modes, weights)
        rest -= np.minimum(np.maximum(rest, -bound), bound)
        weights = weights - _along(modes, rest)
    far = float(np.sqrt(np.mean(weights * weights / (modes.strength + np.float32(FLOOR)))))
    trusted = weights * _trust(modes)
    return Swing(_sum(modes, trusted), max(fading, min(WORST_GUST, far / KNOWN_GUST)))


def _trust(modes: Modes) -> NDArray[np.float32]:
    trust: NDArray[np.float32] = modes.strength / (modes.strength + np.float32(FLOOR))
    return trust


def _along(modes: Modes, change: Map) -> NDArray[np.float32]:
    """The weight of each pattern in `change`."""
    weights: NDArray[np.float32] = np.einsum("krc,rc->k", modes.patterns, change)
    return weights


def _sum(modes: Modes, weights: NDArray[np.float32]) -> Map:
    """The patterns, each with its weight, added up."""
    total: Map = np.einsum("k,krc->rc", weights, modes.patterns)
    return total


def learned(modes: Modes, change: Map, gust: float, dt_s: float, *, quiet: bool) -> Modes:
    """The patterns after a frame; it is learned from when it is due and `quiet`: nobody can be there."""
    due_s = modes.due_s + dt_s
    if not quiet or due_s < LEARN_S:
        return Modes(modes.patterns, modes.strength, modes.seen, due_s, gust)
    pace = max(1 / (modes.seen + 1), 1 / MEMORY_LOOKS)
    patterns, strength = modes.patterns.copy(), modes.strength.copy()
    rest = np.clip(change, -CLIP, CLIP).ravel()
    for pattern, number in zip(patterns.reshape(MODES, -1), range(min(modes.seen + 1, MODES)), strict=False):
        rest = _turned(pattern, strength, number, rest, pace)
    return Modes(patterns, strength, modes.seen + 1, 0.0, gust)


def _turned(
    pattern: NDArray[np.float32], strength: NDArray[np.float32], number: int, rest: Map, pace: float
) -> Map:
    """Turn `pattern` (in place) a little toward `rest`; what of `rest` is not along it.

    Weng et al. 2003, equation (5): v <- (1 - pace) v + pace (x . v / |v|) x, where |v| is the variance.
    """
    along = float(np.einsum("i,i->", rest, pattern))
    if strength[number] < _NOTHING:  # the first that this pattern sees
        along = math.sqrt(float(np.einsum("i,i->", rest, rest)))
    pattern *= np.float32((1 - pace) * float(strength[number]))
    pattern += rest * np.float32(pace * along)
    length = math.sqrt(float(np.einsum("i,i->", pattern, pattern)))
    strength[number] = length
    if length < _NOTHING:
        pattern[:] = 0
        return rest
    pattern /= np.float32(length)
    return rest - pattern * np.float32(np.einsum("i,i->", rest, pattern))
