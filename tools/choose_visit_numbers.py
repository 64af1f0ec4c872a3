"""Choose the numbers by which a visit's name is read, on one half of the species of a folder of pictures.

    python tools/choose_visit_numbers.py --pictures FOLDER --kept FOLDER [--card CARD]

Prints the `[names]` and `noisy_gain` that the card should have, and what they reach on the half that they
were chosen on; tools/measure_visits.py --half others reports on the other. Pictures are seen as
visit_looks.py says; answers are kept, so the search itself takes a minute.

Of all sets of numbers that keep what must hold on both sorts of looks (wrong names, names given while a
species is struck from the list, names of birds on no list), that with the most right names on mixed looks is
chosen, light looks counting half. `told_from` is not searched: it is what the owner is told, and the others
are to make it true.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

import measure_visits
import visit_looks
from dooryard.classify import regions
from dooryard.classify.network import Network
from dooryard.classify.onnx import BUILT_IN, BUILT_IN_BIRDS
from dooryard.classify.species import Classes, Numbers
from measure_visits import Study
from visit_tables import Table, table, told

MOST_WRONG, MOST_STRUCK, MOST_NOVEL = 0.03, 0.05, 0.03
GAINS = (2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 32.0)
TEMPERATURES = (1.0, 1.2, 1.4, 1.7, 2.0)
NAMELESS = (0.02, 0.05, 0.1)
UNLISTED = (0.2, 0.3, 0.5, 1.0)
LIKENESS = (0.1, 0.2, 0.3, 0.4, 0.5)


class Reached(NamedTuple):
    """Shares of visits."""

    right: float
    wrong: float
    struck: float
    strange: float


def reached(one: Table, numbers: Numbers) -> Reached:
    """What `numbers` reach on the visits of a table."""
    listed = one.on_list
    named, right = told(one, numbers)
    struck, _ = told(one, numbers, struck=True)
    return Reached(
        float(right[listed].mean()),
        float((named & ~right)[listed].mean()),
        float(struck[listed].mean()),
        float(named[~listed].mean()),
    )


def holds(one: Reached) -> bool:
    """Whether it keeps what must hold."""
    return one.wrong <= MOST_WRONG and one.struck <= MOST_STRUCK and one.strange <= MOST_NOVEL


def sets(temperature: float) -> Iterator[Numbers]:
    """Yield every set of numbers that is tried at one temperature."""
    for nameless, unlisted, likeness in itertools.product(NAMELESS, UNLISTED, LIKENESS):
        yield Numbers(temperature, nameless, unlisted, likeness)


def best_gain(those: Study) -> float:
    """Return the gain from which the noise filter helps: most looks' own species likeliest of all."""
    names = np.array([label.scientific or "" for label in those.labels])
    known = np.array([truth is not None for truth in those.truth])
    truth = np.array([truth or "-" for truth in those.truth])[:, np.newaxis]
    right, filtered = (
        (names[logits.argmax(axis=-1)] == truth)[known]
        for logits in (those.answers.which, those.answers.which_filtered)
    )
    gain = those.answers.gain[known]
    share = {at: float(np.where(gain >= at, filtered, right).mean()) for at in GAINS}
    for at, value in share.items():
        print(f"noise filter from gain {at:g}: {value:.4f} of mixed looks have their own species first")
    return max(share, key=share.__getitem__)


def main() -> None:
    arguments = argparse.ArgumentParser(description="Choose the numbers of visits' names.")
    arguments.add_argument(
        "--pictures", type=Path, required=True, help="a folder of pictures for each species"
    )
    arguments.add_argument("--kept", type=Path, help="where the networks' answers are kept")
    arguments.add_argument("--card", type=Path, default=BUILT_IN_BIRDS, help="of the species model")
    given = arguments.parse_args()
    first, which = Network(BUILT_IN), Network(given.card)
    region = regions.region(regions.NORTH_AMERICA)
    studies = {}
    for sort in visit_looks.SORTS:
        those = measure_visits.study(given.pictures, sort, first, which, given.kept)
        studies[sort] = those.where(measure_visits.half(those.answers.species.tolist(), "chosen"))
    gain = best_gain(studies["mixed"])
    kept: list[tuple[float, Numbers, Reached, Reached]] = []
    classes = Classes(which.labels, region)
    for temperature in TEMPERATURES:
        mixed_table, light_table = (
            table(studies[sort], classes, temperature, gain) for sort in ("mixed", "light")
        )
        for numbers in sets(temperature):
            mixed, light = reached(mixed_table, numbers), reached(light_table, numbers)
            if holds(mixed) and holds(light):
                kept.append((mixed.right + light.right / 2, numbers, mixed, light))
    if not kept:
        raise SystemExit("no set of numbers keeps what must hold")
    _, numbers, mixed, light = max(kept, key=lambda one: one[0])
    print(f"noisy_gain = {gain}\n[names]")
    for key in ("temperature", "nameless", "unlisted", "likeness", "told_from"):
        print(f"{key} = {getattr(numbers, key)}")
    for sort, one in (("mixed", mixed), ("light", light)):
        print(f"{sort}: " + ", ".join(f"{key} {value:.3f}" for key, value in one._asdict().items()))


if __name__ == "__main__":
    main()
