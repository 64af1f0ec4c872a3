"""How well taught visitors are told, and strangers refused, on the animals of the simulated garden.

    python tools/measure_taught_model.py --looks FOLDER

Taught on some kinds of scene, told on others; strangers are animals that were never taught. Each animal is
one picture in different light, sizes and poses, so this is far easier than real birds of one species: it
shows that the arithmetic works, and nothing about a garden. No package of the registries was found that
carries photographs of twenty birds.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

import model_looks
from calibrate_model import NOISE, TEST_SEEDS
from dooryard.classify.taught import Mark, teach, tell
from model_looks import Looks

TAUGHT_IN = ("breeze", "feeder on a hook", "gale")
TOLD_IN = ("rain", "dusk", "bright sky", "shaking pole")
STRANGERS = ("blackbird", "mallard", "shore lark", "white rabbit")
_ROUNDS = 10


def marks_of(looks: Looks, count: int, random: np.random.Generator) -> tuple[Mark, ...]:
    """`count` random marks of each animal in `looks`."""
    found = []
    for animal in np.unique(looks.animal):
        at = np.flatnonzero(looks.animal == animal)
        chosen = random.choice(at, min(count, len(at)), replace=False)
        found += [Mark(str(i), str(animal), str(looks.group[i]), looks.features[i]) for i in chosen]
    return tuple(found)


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure the teaching.")
    arguments.add_argument("--looks", type=Path, required=True)
    given = arguments.parse_args()
    there = model_looks.scenes("test", NOISE, TEST_SEEDS, given.looks)
    others = model_looks.scenes("development", NOISE, (1, 2), given.looks)
    visitors = there.where(there.group != "nobody")
    pool, told_on = (visitors.where(np.isin(visitors.family, kinds)) for kinds in (TAUGHT_IN, TOLD_IN))
    strangers = others.where(np.isin(others.animal, STRANGERS))
    random = np.random.default_rng(3)
    for count in (1, 3, 5, 10, 20):
        right, wrong, strange, took_s = [], [], [], []
        for _ in range(_ROUNDS):
            marks = marks_of(pool, count, random)
            start = time.perf_counter()
            taught = teach(marks)
            took_s.append(time.perf_counter() - start)
            tellings = [tell(taught, features) for features in told_on.features]
            names = np.array([one.name for one in tellings])
            told = np.array([one.told for one in tellings])
            right.append((told & (names == told_on.animal)).mean())
            wrong.append((told & (names != told_on.animal)).mean())
            strange.append(np.mean([tell(taught, features).told for features in strangers.features]))
        print(
            f"{count:2d} pictures each of {len(taught.names)}: right {np.mean(right):.3f}, "
            f"wrong {np.mean(wrong):.3f}, not sure {1 - np.mean(right) - np.mean(wrong):.3f}; "
            f"strangers told as taught {np.mean(strange):.3f}; taught in {np.median(took_s) * 1000:.0f} ms"
        )


if __name__ == "__main__":
    main()
