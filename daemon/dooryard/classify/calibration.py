"""From what a network gives to each group to probabilities that hold. Pure.

A network's own numbers are not probabilities of what is in a garden: birds that it has no class for get
0.4 in all, and leaves get something too. Platt's way (Platt 1999, "Probabilistic outputs for support
vector machines") mends that: each group's evidence is the log of its odds against "none of them"; a line
(slope, offset), fitted on labelled looks, turns it into a log-odds against nobody. One line serves birds,
one the mammals with a group of their own (there are too few pictures of each for one line each), one the
other animals. What the features say of somebody, whoever it is (`presence`), is added to all of them.
How well the result holds is reported as the expected calibration error (Guo et al. 2017,
"On calibration of modern neural networks", ICML).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.classify.labels import GROUPS

NOBODY = "nobody"
FLOOR = 1e-3
"""Added to both sides of the odds, so that a group that got nothing has finite evidence."""

PRIOR: Mapping[str, float] = {
    NOBODY: 0.5,
    "bird": 0.3,
    **dict.fromkeys(("squirrel", "cat", "dog", "fox", "rabbit"), 0.03),
    "animal": 0.05,
}
"""What is believed of a look before its pixels are seen: our own choice, not a measurement."""


SUREST = 4.0
"""The highest log-odds of somebody that one look can have: 0.982. Networks are surer of noise than that."""


class LogOddsLine(NamedTuple):
    """log-odds against nobody = slope * evidence + offset."""

    slope: float
    offset: float


class Calibration(NamedTuple):
    """The lines of a model, and what its features' leaning towards somebody is worth."""

    bird: LogOddsLine
    mammal: LogOddsLine
    animal: LogOddsLine
    presence: float = 0.0

    def of(self, group: str) -> LogOddsLine:
        """The line of `group`."""
        return {"bird": self.bird, "animal": self.animal}.get(group, self.mammal)


def evidence_of(totals: Mapping[str, float]) -> dict[str, float]:
    """Return, for each group of `GROUPS`, log((total + FLOOR) / (rest + FLOOR)); rest: what no group has."""
    rest = max(0.0, 1.0 - sum(totals.get(group, 0.0) for group in GROUPS))
    return {group: math.log((totals.get(group, 0.0) + FLOOR) / (rest + FLOOR)) for group in GROUPS}


def calibrated(
    totals: Mapping[str, float], calibration: Calibration, leaning: float = 0.0
) -> dict[str, float]:
    """Return the probability of each group of `GROUPS`; what is missing to 1 is nobody.

    `leaning` is what `presence` says of the look's features. Together they come to no more than `SUREST`
    says.
    """
    towards = calibration.presence * leaning
    odds = {}
    for group, value in evidence_of(totals).items():
        slope, offset = calibration.of(group)
        odds[group] = math.exp(min(slope * value + offset + towards, 50.0))
    there = sum(odds.values())
    share = min(1.0, math.exp(SUREST) / there)
    return {group: value * share / (1.0 + there * share) for group, value in odds.items()}


def expected_error(
    sure: Sequence[float] | NDArray[np.float64], right: Sequence[bool] | NDArray[np.bool_], bins: int = 15
) -> float:
    """Return the expected calibration error: the mean gap between confidence and accuracy over equal bins.

    `sure` are probabilities of what was said, `right` whether it was so; 15 bins as in Guo et al. 2017.
    Raises ValueError when there is nothing to average or the lengths differ.
    """
    said, hit = np.asarray(sure, dtype=np.float64), np.asarray(right, dtype=np.float64)
    if said.size == 0 or said.shape != hit.shape:
        raise ValueError(f"{said.size} probabilities and {hit.size} outcomes: nothing to compare")
    at = np.clip(np.ceil(said * bins).astype(np.int64) - 1, 0, bins - 1)  # bins are (low, high]
    gaps = np.bincount(at, weights=said, minlength=bins) - np.bincount(at, weights=hit, minlength=bins)
    return float(np.abs(gaps).sum() / said.size)
