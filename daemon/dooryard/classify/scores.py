"""From a network's answer to groups and species. Pure.

What counts as evidence was decided on 520 crops of places where nobody was, and on photographs of small
birds (tools/measure_model.py measures both again):

- A network that does not know spreads its answer thinly over hundreds of classes, and sums over them
  come to a third and more. So a class counts only from ten times chance upwards.
- What is left for "animal" (mostly animals that no garden has) still tells little. So in `CropScores.groups`
  "animal" is never somebody by itself: it counts at most as much as all named groups together. A model
  that is calibrated (classify/calibration.py) starts from `CropScores.totals` instead, where its own line for
  "animal" holds a bush back and lets a badger through.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.classify.labels import GROUPS, Label
from dooryard.core.records import Naming

OTHER = "animal"
TIMES_CHANCE = 10.0
"""A class counts from this multiple of 1 / (number of classes)."""


class CropScores(NamedTuple):
    """What one crop's logits say."""

    totals: dict[str, float]  # what each group of `GROUPS` gets from the classes that count
    groups: dict[str, float]  # the same as evidence; what is missing to 1 is nobody
    species: tuple[Naming, ...]  # trusted ones only, best first


def counted(logits: NDArray[np.float32]) -> dict[int, float]:
    """Return the softmax of `logits` (C,) for the classes that count, by their number, in its order.

    In float64. Raises ValueError unless all are finite.
    """
    values = logits.astype(np.float64)
    if not np.isfinite(values).all():
        raise ValueError("the network gave a number that is not finite")
    values -= values.max()
    np.exp(values, out=values)
    total = float(values.sum())
    (numbers,) = np.nonzero(values >= total * TIMES_CHANCE / values.size)
    return {number: float(values[number]) / total for number in numbers.tolist()}


def sums(those: Mapping[int, float], labels: Sequence[Label]) -> dict[str, float]:
    """Return, for each group of `GROUPS`, the sum of `those` probabilities, by the number of their class."""
    totals = dict.fromkeys(GROUPS, 0.0)
    for number, chance in those.items():
        group = labels[number].group
        if group is not None:
            totals[group] += chance
    return totals


def evidence(totals: Mapping[str, float]) -> dict[str, float]:
    """Return `totals` with "animal" cut to what all named groups have together."""
    named = sum(total for group, total in totals.items() if group != OTHER)
    return {group: min(total, named) if group == OTHER else total for group, total in totals.items()}


def species(those: Mapping[int, float], labels: Sequence[Label]) -> tuple[Naming, ...]:
    """Return the species that may be told among `those`, best first."""
    told = [
        Naming(label.group, chance, label.name, label.scientific)
        for number, chance in those.items()
        for label in [labels[number]]
        if label.trusted and label.group is not None
    ]
    return tuple(sorted(told, key=lambda naming: -naming.probability))


def read(logits: NDArray[np.float32], labels: Sequence[Label]) -> CropScores:
    """Turn `logits` (C,) into groups and species; `labels` has C entries."""
    those = counted(logits)
    totals = sums(those, labels)
    return CropScores(totals, evidence(totals), species(those, labels))
