"""Which species a network may be said to have seen, at this place. Pure.

A species model gives all its probability to some species, whatever it is shown; other parts decide whether
there is a bird at all. Here its answer is limited to what lives at the place: the probabilities of the
listed species are taken of the listed ones alone, but only where these have at least half of all. Else the
network saw something that does not live here, and the nearest listed name would be a guess.

Places are lists of scientific names, since common names change their bird between continents.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dooryard.classify.labels import Label
from dooryard.core.records import Naming

LEAST_LISTED = 0.5
LEAST_TOLD = 0.05  # a species less likely than this is not worth a name
MOST_TOLD = 3


def told(
    logits: NDArray[np.float32],
    labels: Sequence[Label],
    region: frozenset[str] | None,
    temperature: float = 1.0,
) -> tuple[Naming, ...]:
    """Return the likeliest species of `region` (None: anywhere), best first, at most `MOST_TOLD`.

    `logits` (C,), one label each; only trusted labels are told. Temperature as in Guo et al. 2017.
    """
    scaled = logits.astype(np.float64) / temperature
    chances = np.exp(scaled - scaled.max())
    chances /= chances.sum()
    listed = np.array([may_be_told(label.scientific, region) for label in labels])
    share = float(chances[listed].sum())
    if share < LEAST_LISTED:
        return ()
    found = []
    for at in np.argsort(-np.where(listed, chances, -1.0), kind="stable")[:MOST_TOLD].tolist():
        label, chance = labels[at], float(chances[at]) / share
        if listed[at] and label.trusted and label.group is not None and chance >= LEAST_TOLD:
            found.append(Naming(label.group, chance, label.name, label.scientific))
    return tuple(found)


def may_be_told(scientific: str | None, region: frozenset[str] | None) -> bool:
    """Whether a class may be told at a place: it is on its list, or there is no list."""
    return region is None or (scientific is not None and scientific in region)


def within(namings: Sequence[Naming], region: frozenset[str] | None) -> tuple[Naming, ...]:
    """Those of `namings` that may be told. The lists are of birds: other groups pass."""
    return tuple(
        naming for naming in namings if naming.group != "bird" or may_be_told(naming.scientific, region)
    )


def merged(namings: Sequence[Naming], taught: Naming | None) -> tuple[Naming, ...]:
    """`namings` with what the owner taught, one for each name, best first.

    Where both know a species by the same name, the surer of the two counts.
    """
    best: dict[str | None, Naming] = {}
    for naming in (*namings, *((taught,) if taught else ())):
        before = best.get(naming.species)
        if before is None or naming.probability > before.probability:
            best[naming.species] = naming
    return tuple(sorted(best.values(), key=lambda naming: -naming.probability))
