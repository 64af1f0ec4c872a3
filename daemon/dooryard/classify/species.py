"""Which species a network may be said to have seen, at this place. Pure.

A species model gives all its probability to some species, whatever it is shown; other parts decide whether
there is a bird at all. Its classes are taken together by species (subspecies and plumages count for theirs),
and what does not live at the place counts for less, not for nothing: else the nearest listed name would be
told of whatever came from elsewhere. A look may also show no name at all (noise, blur, a bird turned away);
how likely that is, is mixed in, so that such a look says little instead of something wrong.

Places are lists of scientific names, since common names change their bird between continents.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.classify.labels import Label
from dooryard.core.records import Naming

LEAST_TOLD = 0.004  # a species less likely than this is not carried on from a look
MOST_TOLD = 6  # of those that may be told, and of the others, each


@dataclass(frozen=True, slots=True)
class Numbers:
    """How a species model's answer is read; chosen by tools/choose_visit_numbers.py, kept in its card."""

    temperature: float = 1.0  # logits are divided by it (Guo et al. 2017)
    nameless: float = 0.0  # how likely a look is to show no name at all, at best
    unlisted: float = 1.0  # what a bird that is not on the place's list counts, in parts of one that is
    likeness: float = 0.5  # correlation of what two looks of a visit say of its name
    told_from: float = 0.9  # probability of a visit's name from which it is told


class SpeciesAnswer(NamedTuple):
    """What one look says, best first; probabilities are of all species together."""

    listed: tuple[Naming, ...] = ()  # may be told here
    unlisted: tuple[Naming, ...] = ()  # may not, and speak against the others


class Classes:
    """A species model's classes at species level, for one place.

    `region` holds the scientific names that may be told (None: all). Classes of no species are one more
    "species" that is never told.
    """

    def __init__(self, labels: Sequence[Label], region: frozenset[str] | None) -> None:
        keys = [label.scientific or (label.name if label.trusted else "") for label in labels]
        order = {key: number for number, key in enumerate(dict.fromkeys(keys))}
        self.of_class: NDArray[np.intp] = np.array([order[key] for key in keys])  # (C,) number of its species
        self.species: list[Label] = [labels[keys.index(key)] for key in order]  # (S,) what each is called
        self.listed: NDArray[np.bool_] = np.array(
            [
                label.trusted and label.group is not None and may_be_told(label.scientific, region)
                for label in self.species
            ]
        )

    def chances(self, logits: NDArray[np.float32], numbers: Numbers) -> NDArray[np.float64]:
        """Return the probability of each species (S,) by one look's `logits` (C,)."""
        scaled = logits.astype(np.float64) / numbers.temperature
        found = np.bincount(
            self.of_class, weights=np.exp(scaled - scaled.max()), minlength=len(self.species)
        ) * np.where(self.listed, 1.0, numbers.unlisted)
        total = float(found.sum())
        if total <= 0.0:  # all of it belongs to what may not be told
            return np.full(len(found), 1 / len(found))
        return np.asarray((1 - numbers.nameless) * found / total + numbers.nameless / len(found))


def told(logits: NDArray[np.float32], classes: Classes, numbers: Numbers) -> SpeciesAnswer:
    """Return the likeliest species of one look's `logits` (C,), those that may be told and others."""
    chances = classes.chances(logits, numbers)
    found: dict[bool, list[Naming]] = {True: [], False: []}
    for at in np.argsort(-chances, kind="stable")[: 2 * MOST_TOLD].tolist():
        label, listed = classes.species[at], bool(classes.listed[at])
        if chances[at] >= LEAST_TOLD and len(found[listed]) < MOST_TOLD:
            group = label.group or "bird"
            found[listed].append(Naming(group, float(chances[at]), label.name, label.scientific))
    return SpeciesAnswer(tuple(found[True]), tuple(found[False]))


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
