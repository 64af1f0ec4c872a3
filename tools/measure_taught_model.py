"""How well taught visitors are told, and strangers refused.

    python tools/measure_taught_model.py --pictures FOLDER [--species-card CARD] [--names 20]
    python tools/measure_taught_model.py --looks FOLDER

`--pictures`: on your own pictures, a folder for each name, each picture cut out around its visitor, as
`dooryard teach` takes them. In each of ten rounds at most `--names` of them are drawn and taught, with 1, 3,
5, 10 and 20 pictures drawn from each; they are told on their other pictures, and the names not drawn are the
strangers: at least one, and always those that have no more pictures than are taught. So more folders are
wanted than names. With `--species-card` the second model's features serve, as in the daemon.

`--looks`: on the animals of the simulated garden (the folder keeps what is rendered), taught on some kinds of
scene and told on others; strangers are animals that were never taught. Each animal is one picture in
different light, sizes and poses, so this is far easier than real birds of one species: it shows that the
arithmetic works, and nothing about a garden.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

import model_looks
from calibrate_model import NOISE, TEST_SEEDS
from dooryard.classify.onnx import OnnxClassifier
from dooryard.classify.taught import MOST_NAMES, NamedPicture, teach, tell
from dooryard.core.errors import DooryardError
from dooryard.core.records import Box, Features, Rgb
from dooryard.teaching import album

TAUGHT_IN = ("breeze", "feeder on a hook", "gale")
TOLD_IN = ("rain", "dusk", "bright sky", "shaking pole")
STRANGERS = ("blackbird", "mallard", "shore lark", "white rabbit")
COUNTS = (1, 3, 5, 10, 20)
_ROUNDS = 10
_NAMES = 20


class Pool(NamedTuple):
    """Looks at visitors with names, N of them."""

    names: NDArray[np.str_]  # (N,)
    features: NDArray[np.float32]  # (N, D)

    def where(self, chosen: NDArray[np.bool_]) -> Pool:
        """Those that `chosen` (N,) says."""
        return Pool(self.names[chosen], self.features[chosen])


class Trial(NamedTuple):
    """What is taught, what of it is told on, and who was never taught."""

    taught: Pool
    told_on: Pool
    strangers: Pool


class Figures(NamedTuple):
    """Shares of one trial, and how long the teaching took."""

    right: float
    wrong: float
    strange: float  # of strangers told as taught
    took_s: float


class Embedder(Protocol):
    """What turns a picture into features."""

    def embed(self, pixels: Rgb, box: Box) -> Features | None:
        """Return the features that teaching uses."""


def of_pictures(folder: Path, classifier: Embedder) -> Pool:
    """Read ``folder/NAME/*``. Exits where there are too few names, or the model cannot be taught.

    Raises ConfigError for a picture that cannot be read.
    """
    names, features = [], []
    for path in sorted(folder.glob("*/*")):
        if path.suffix.lower() in album.SUFFIXES:
            pixels = album.pixels(path)
            found = classifier.embed(pixels, album.middle(pixels))
            if found is None:
                sys.exit("this model gives no features, so it cannot be taught")
            names.append(path.parent.name)
            features.append(found)
    if len(set(names)) < 2:
        sys.exit(f"{folder}: put pictures in a folder for each name, two names or more: one is the stranger")
    return Pool(np.array(names), np.array(features))


def drawn(pool: Pool, count: int, random: np.random.Generator) -> NDArray[np.bool_]:
    """Mark (N,) `count` looks of each name, at most all of them."""
    found = np.zeros(len(pool.names), dtype=bool)
    for name in np.unique(pool.names):
        at = np.flatnonzero(pool.names == name)
        found[random.choice(at, min(count, len(at)), replace=False)] = True
    return found


def own_trials(pool: Pool, taught: int, count: int) -> Iterator[Trial]:
    """Yield rounds on one's own pictures; none where no name has more than `count` of them."""
    random = np.random.default_rng([3, count])
    names, pictures = np.unique(pool.names, return_counts=True)
    fit = names[pictures > count]
    if not len(fit):
        return
    for _ in range(_ROUNDS):
        some = random.permutation(fit)[: min(taught, len(fit), len(names) - 1)]
        known = pool.where(np.isin(pool.names, some))
        chosen = drawn(known, count, random)
        yield Trial(known.where(chosen), known.where(~chosen), pool.where(~np.isin(pool.names, some)))


def of_gardens(looks: Path) -> Trial:
    """Return what may be taught, told on and strange of the simulated garden; `looks` keeps what is drawn."""
    there = model_looks.scenes("test", NOISE, TEST_SEEDS, looks)
    others = model_looks.scenes("development", NOISE, (1, 2), looks)
    taught_in, told_in = (
        Pool(part.animal, part.features)
        for part in (
            there.where((there.group != "nobody") & np.isin(there.family, kinds))
            for kinds in (TAUGHT_IN, TOLD_IN)
        )
    )
    away = others.where(np.isin(others.animal, STRANGERS))
    return Trial(taught_in, told_in, Pool(away.animal, away.features))


def garden_trials(all_of_it: Trial, count: int) -> Iterator[Trial]:
    """Yield rounds with `count` looks of each animal that may be taught."""
    random = np.random.default_rng([3, count])
    for _ in range(_ROUNDS):
        yield all_of_it._replace(taught=all_of_it.taught.where(drawn(all_of_it.taught, count, random)))


def figures(trial: Trial) -> Figures:
    """Teach, and tell. (Which group a name is of makes no difference.)"""
    marks = tuple(
        NamedPicture(str(i), str(name), "bird", row)
        for i, (name, row) in enumerate(zip(*trial.taught, strict=True))
    )
    start = time.perf_counter()
    taught = teach(marks)
    took_s = time.perf_counter() - start
    tellings = [tell(taught, row) for row in trial.told_on.features]
    told = np.array([one.told for one in tellings])
    same = np.array([one.name for one in tellings]) == trial.told_on.names
    strange = np.mean([tell(taught, row).told for row in trial.strangers.features])
    return Figures(float((told & same).mean()), float((told & ~same).mean()), float(strange), took_s)


def report(count: int, trials: list[Trial]) -> None:
    """Print the means over all rounds."""
    if not trials:
        print(f"{count:2d} pictures each: too few pictures to teach so many and have others to tell")
        return
    found = np.array([figures(trial) for trial in trials])
    right, wrong, strange, _ = found.mean(axis=0)
    took_s = float(np.median(found[:, -1]))
    print(
        f"{count:2d} pictures each of {len(np.unique(trials[0].taught.names))}: right {right:.3f}, "
        f"wrong {wrong:.3f}, not sure {1 - right - wrong:.3f}; "
        f"strangers told as taught {strange:.3f}; taught in {took_s * 1000:.0f} ms"
    )


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure the teaching.")
    source = arguments.add_mutually_exclusive_group(required=True)
    source.add_argument("--pictures", type=Path, help="a folder of pictures for each name")
    source.add_argument("--looks", type=Path, help="where rendered looks are kept")
    arguments.add_argument("--species-card", type=Path, help="with --pictures")
    arguments.add_argument(
        "--names", type=int, help=f"how many are taught, with --pictures (default {_NAMES})"
    )
    given = arguments.parse_args()
    if given.looks and (given.species_card or given.names is not None):
        arguments.error("--species-card and --names go with --pictures")
    taught = _NAMES if given.names is None else given.names
    if not 1 <= taught <= MOST_NAMES:
        arguments.error(f"--names must be from 1 to {MOST_NAMES}")
    if given.pictures:
        try:
            pool = of_pictures(given.pictures, OnnxClassifier(species_card=given.species_card))
        except DooryardError as error:
            sys.exit(str(error))
        print(f"{len(pool.names)} pictures of {len(np.unique(pool.names))} names")
        for count in COUNTS:
            report(count, list(own_trials(pool, taught, count)))
    else:
        gardens = of_gardens(given.looks)
        for count in COUNTS:
            report(count, list(garden_trials(gardens, count)))


if __name__ == "__main__":
    main()
