"""Fit the plane between looks at somebody and looks at nobody (see `dooryard.classify.presence`).

To know what it is worth for animals and scenes that it was not made with, it is made again for each of
`FOLDS` parts of the material without that part: without its animals, and without the looks at nobody in
its kinds of scene and photographs. What each of these says of the part it has not seen is what the lines of
evidence are fitted on. A part is left out by halves only: other animals' looks in the same scenes stay in,
and the drawn gardens of one seed are alike in all kinds.
"""

from __future__ import annotations

import zlib
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from dooryard.classify.calibration import NOBODY
from dooryard.classify.presence import Presence, leaning, unit
from model_looks import Looks

FOLDS = 6
PULL = 0.01  # towards zero, times the square of a tenth of each weight: chosen on parts not seen, by trial
_TENTH = 10.0


class Planes(NamedTuple):
    """The plane made with everything, and one without each part."""

    whole: Presence
    without: tuple[Presence, ...]


def units(looks: Looks) -> NDArray[np.float32]:
    """Unit features (N, D)."""
    found = [unit(features) for features in looks.features]
    return np.array([np.zeros(looks.features.shape[1]) if one is None else one for one in found], np.float32)


def parts(looks: Looks, animals: tuple[str, ...], kinds: tuple[str, ...]) -> NDArray[np.int64]:
    """Which part each look belongs to: by its animal, else by its kind of scene or its photograph."""
    names = (*animals, "house sparrow")

    def part(family: str, animal: str) -> int:
        if animal:
            return names.index(animal)
        return kinds.index(family) if family in kinds else zlib.crc32(family.encode())

    return np.array([part(str(f), str(a)) % FOLDS for f, a in zip(looks.family, looks.animal, strict=True)])


def weights(looks: Looks, worth: NDArray[np.float64]) -> NDArray[np.float64]:
    """One weight per look: nobody and somebody weigh the same, and each animal the same as the next."""
    names = np.where(looks.group == NOBODY, "", looks.animal)
    kinds = np.unique(names)
    found = np.zeros(len(looks))
    for kind in kinds:
        share = np.where(names == kind, worth, 0.0)
        found += share / share.sum() / (1 if kind == "" else len(kinds) - 1)
    return np.asarray(found / found.sum(), dtype=np.float64)


def plane(vectors: NDArray[np.float32], there: NDArray[np.bool_], weight: NDArray[np.float64]) -> Presence:
    """The plane with the least weighted log loss, pulled towards zero."""
    sign = np.where(there, 1.0, -1.0)

    def loss(values: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = sign * (_TENTH * (vectors @ values[:-1]) + values[-1])
        slopes = -sign * weight / (1 + np.exp(np.minimum(margin, 500.0)))
        pulled = PULL * float((values[:-1] ** 2).sum())
        toward = _TENTH * (vectors.T @ slopes) + 2 * PULL * values[:-1]
        return float((weight * np.logaddexp(0, -margin)).sum()) + pulled, np.append(toward, slopes.sum())

    start = np.zeros(vectors.shape[1] + 1)
    best = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 400})
    if not best.success:
        raise SystemExit(f"the plane's fit did not end: {best.message}")
    return Presence((_TENTH * best.x[:-1]).astype(np.float32), float(np.float32(best.x[-1])))


def planes(looks: Looks, worth: NDArray[np.float64], part: NDArray[np.int64]) -> Planes:
    """Make all of them; `worth` (N,) of each look, `part` (N,) as `parts` gives them."""
    vectors, there = units(looks), looks.group != NOBODY
    without = []
    for number in range(FOLDS):
        rest = part != number
        without.append(plane(vectors[rest], there[rest], weights(looks.where(rest), worth[rest])))
    return Planes(plane(vectors, there, weights(looks, worth)), tuple(without))


def unseen(made: Planes, looks: Looks, part: NDArray[np.int64]) -> NDArray[np.float64]:
    """What the plane made without its part says of each look, (N,)."""
    rows = zip(looks.features, part, strict=True)
    return np.array([leaning(made.without[number], features) for features, number in rows])
