"""How high a region's threshold must be so that wind passes it only so often: peaks over a threshold.

Above a low threshold the peaks of a process fall off by a generalised Pareto law (Pickands, "Statistical
inference using extreme order statistics", Annals of Statistics 3, 1975); with the log of the score that
is an exponential law, whose scale is the mean excess. If transients come `n` times an hour, the threshold
that only `t` an hour pass is ``threshold * (n / t) ** scale``. Arrays are float32, one value per region.
"""

from __future__ import annotations

import math

import numpy as np

from dooryard.gate.grid import Map

THRESHOLD = 0.85  # score from which a transient counts: a little below what is let through
MOST_EXCESS = 0.7  # log score: a stronger transient says no more; a bird in flight weighs no more than wind
PRIOR_SCALE = 0.15  # log score; what is believed of a region's scale ...
PRIOR_WEIGHT = 3.0  # ... with the weight of so many transients
PRIOR_H = 0.25  # hours without a transient that every site is credited with


def excess(peak: float) -> float:
    """Log of a peak over the threshold, bounded."""
    return min(MOST_EXCESS, max(0.0, math.log(peak / THRESHOLD)))


def scale(winds: Map, excesses: Map) -> Map:
    """Mean excess per region, drawn toward the whole picture's, and that toward the prior."""
    total = (float(excesses.sum()) + PRIOR_SCALE * PRIOR_WEIGHT) / (float(winds.sum()) + PRIOR_WEIGHT)
    return (excesses + np.float32(total * PRIOR_WEIGHT)) / (winds + np.float32(PRIOR_WEIGHT))


def needed(winds: Map, excesses: Map, watched_h: float, target_per_h: float) -> Map:
    """The score that each region must ask for; may be below 1.

    The target is shared out by how often each region stirs.
    """
    per_hour = float(winds.sum()) / (watched_h + PRIOR_H)
    threshold = np.full(winds.shape, THRESHOLD, np.float32)
    if per_hour > target_per_h:
        threshold *= np.exp(scale(winds, excesses) * np.float32(math.log(per_hour / target_per_h)))
        threshold[winds < 0.05] = THRESHOLD
    return threshold
