"""How long is long enough: a cumulative sum, so that the strong passes at once and the weak must last.

Page, "Continuous inspection schemes", Biometrika 41, 1954: sum the log of the score over time, never
below zero, and act when the sum passes a bound.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from dooryard.gate.grid import Map, neighbour_max

if TYPE_CHECKING:
    from dooryard.gate.blobs import Blob

ENOUGH_S = 0.4  # seconds times log score: a score of 3 needs 0.36 s, one of 1.2 needs 2.2 s
MOST_S = 1.0  # the sum goes no higher, so that it ends soon after the change does
STEEPEST = 1.2  # log score that counts at most
ONE_FRAME_S = 0.2  # what a single frame can add at most: it takes two, at any rate of frames


def evidence_after(before: Map, blob: Blob, score: float, dt_s: float) -> float:
    """Evidence for `blob` with this frame; `before` is the last map, widened by a cell."""
    step = max(-STEEPEST, min(STEEPEST, math.log(max(score, 1e-3)))) * dt_s
    step = min(step, ONE_FRAME_S)
    return max(0.0, min(MOST_S, float(before.ravel()[blob.cells].max()) + step))


def widened(evidence: Map) -> Map:
    """A visitor may move by a cell from one frame to the next."""
    return neighbour_max(evidence)


def spread_out(before: Map, found: list[tuple[Blob, float]]) -> Map:
    """The map of evidence after a frame; `before` is the last one."""
    if not found and not before.any():
        return before
    out = np.zeros(before.size, np.float32)
    for blob, amount in found:
        out[blob.cells] = amount
    return out.reshape(before.shape)
