"""Fit how the built-in model's answers become probabilities, and report how well they hold elsewhere.

    python tools/calibrate_model.py --looks FOLDER --wheels FOLDER [--media FOLDER] [--write]

Two things are fitted on the development scenes of tools/model_scenes.py, on its development animals laid
over photographs, and on photographs with nobody in them (with `--media`, also on every second photograph of
house sparrows and of places with nobody there): the plane of `dooryard.classify.presence`, and the lines of
`dooryard.classify.calibration`. The lines are fitted on what planes say that were made without the look's
own animal or, where nobody is, without looks at nobody in its kind of scene (see tools/model_presence.py).
Reported on the test scenes and the other photographs. The looks' folder keeps
what the network said, since rendering takes minutes; the wheels are those of tools/build_model.py. `--write`
puts the plane beside the model; tools/build_model.py, where the lines are put by hand, then writes the card.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

import model_looks
import model_presence
import model_scenes
from dooryard.classify import card, labels, presence, scores
from dooryard.classify.calibration import (
    NOBODY,
    PRIOR,
    Calibration,
    LogOddsLine,
    calibrated,
    evidence_of,
    expected_error,
)
from dooryard.classify.labels import GROUPS
from dooryard.classify.network import Network
from dooryard.classify.onnx import BUILT_IN
from dooryard.classify.presence import Presence
from dooryard.tracking.evidence import there_ratio
from model_looks import Looks
from model_weights import sha256

DEVELOPMENT_SEEDS, TEST_SEEDS = (1, 2), (11, 12)
NOISE = 0.3
KINDS = (*model_scenes.DEVELOPMENT, *model_scenes.HARDER)
NOISES = (0.3, 1.0)
PRESENCE = "lite0-presence.csv"
_REAL = 3.0
"""Weight of a photograph against a drawn picture of the same kind; for the lines, not for the plane, also of
one with an animal laid over it. Of house sparrows there are four looks: each weighs as dozens of others."""
ANIMAL = LogOddsLine(2.0, -2.8)
"""Of other animals there are none in the development scenes, so their line is set, not fitted: 0.8 of the
network's probability makes it even where the features say nothing. Leaves and scrub get 0.4 at most in 99
of 100 looks at nobody."""
_CLASSES = (NOBODY, *GROUPS)
TABLE = labels.parse(BUILT_IN.with_name("lite0-labels.csv").read_text(encoding="utf-8"), 1000, "labels")


class Material(NamedTuple):
    """What is fitted on: N looks."""

    looks: Looks
    photograph: NDArray[np.bool_]  # (N,) whether it is one, with or without an animal laid over it
    composite: NDArray[np.bool_]  # (N,) whether it is one with an animal laid over it, or that one's twin
    part: NDArray[np.int64]  # (N,) see `model_presence.parts`


def material(folder: Path, wheels: Path, media: Path | None) -> Material:
    """All development looks; nobody's of the hour of learning come with little and with strong noise."""
    hours = [model_looks.site(kind, noise, folder) for kind in KINDS for noise in NOISES]
    drawn = [
        model_looks.scenes("development", NOISE, DEVELOPMENT_SEEDS, folder),
        *(one.where((one.time_s < model_scenes.LEARNING_S) & (one.group == NOBODY)) for one in hours),
    ]
    laid = model_looks.composites(wheels, media, folder)
    real = [model_looks.empty_photographs(wheels, folder)]
    if media:
        real.append(model_looks.photographs("development", media))
    looks = model_looks.joined([*drawn, *real, laid])
    first, last = sum(map(len, drawn)), len(looks) - len(laid)
    at = np.arange(len(looks))
    return Material(looks, at >= first, at >= last, part(looks))


def part(looks: Looks) -> NDArray[np.int64]:
    """The part of the development material that each look belongs to."""
    return model_presence.parts(looks, model_scenes.DEVELOPMENT_ANIMALS, KINDS)


def planes(given: Material) -> model_presence.Planes:
    """The plane made with all of `given`, and those made without each part."""
    worth = np.where(given.photograph & ~given.composite, _REAL, 1.0)
    return model_presence.planes(given.looks, worth, given.part)


def lines() -> Calibration:
    """Those of the built-in model."""
    found = card.parse(BUILT_IN.read_text(encoding="utf-8"), "card").evidence
    assert found is not None
    return found


def built_in() -> Presence:
    """The plane that ships with the model. Raises ModelError where the card names another."""
    found = Network(BUILT_IN).presence
    assert found is not None
    return found


def leanings(plane: Presence, looks: Looks) -> NDArray[np.float64]:
    """What `plane` says of each look, (N,)."""
    return np.array([presence.leaning(plane, features) for features in looks.features])


def totals(looks: Looks) -> list[dict[str, float]]:
    """What the network gives to each group, before calibration."""
    return [scores.read(row, TABLE).totals for row in looks.logits]


def weights(looks: Looks, real: NDArray[np.bool_]) -> NDArray[np.float64]:
    """One weight per look, so that groups come as often as `PRIOR` says and each animal counts alike."""
    found = np.zeros(len(looks))
    for group in np.unique(looks.group):
        kinds = [looks.group == group]
        if group != NOBODY:
            kinds = [looks.animal == animal for animal in np.unique(looks.animal[kinds[0]])]
        for mask in kinds:
            share = np.where(mask, np.where(real, _REAL, 1.0), 0.0)
            found += PRIOR[group] / len(kinds) * share / share.sum()
    return np.asarray(found / found.sum(), dtype=np.float64)


def fit(looks: Looks, weight: NDArray[np.float64], leaning: NDArray[np.float64]) -> Calibration:
    """The calibration with the least weighted log loss on `looks` (and a slight pull towards slope 1)."""
    evidence = np.array([[evidence_of(total)[group] for group in GROUPS] for total in totals(looks)])
    truth = np.array([_CLASSES.index(group) for group in looks.group])
    line_of = np.array([0 if group == "bird" else 2 if group == "animal" else 1 for group in GROUPS])

    def loss(values: NDArray[np.float64]) -> float:
        lines = np.array([*values[:4].reshape(2, 2), ANIMAL])
        odds = evidence * lines[line_of, 0] + lines[line_of, 1] + values[4] * leaning[:, np.newaxis]
        logits = np.concatenate([np.zeros((len(odds), 1)), odds], axis=1)
        logits -= logits.max(axis=1, keepdims=True)
        logs = logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))
        pull = 0.002 * float(((lines[:2, 0] - 1) ** 2).sum() + ((lines[:2, 1] + 1) ** 2).sum() / 10)
        return float(-(weight * logs[np.arange(len(truth)), truth]).sum()) + pull

    bounds = [(0.2, 3.0), (-6.0, 6.0)] * 2 + [(0.0, 2.0)]
    best = minimize(loss, [1.0, 0.0, 1.0, 0.0, 0.5], method="L-BFGS-B", bounds=bounds)
    bird, mammal = (LogOddsLine(round(float(a), 3), round(float(b), 3)) for a, b in best.x[:4].reshape(2, 2))
    return Calibration(bird, mammal, ANIMAL, round(float(best.x[4]), 3))


def groups_of(looks: Looks, calibration: Calibration, leaning: NDArray[np.float64]) -> list[dict[str, float]]:
    """The groups' probabilities of each look, by the network and what its features lean to."""
    rows = zip(totals(looks), leaning, strict=True)
    return [calibrated(total, calibration, lean) for total, lean in rows]


def said(
    looks: Looks, calibration: Calibration, leaning: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """For each look, the probability of the likeliest answer and whether it is right."""
    sure, right = [], []
    for chances, truth in zip(groups_of(looks, calibration, leaning), looks.group, strict=True):
        chances[NOBODY] = 1 - sum(chances.values())
        name = max(chances, key=chances.__getitem__)
        sure.append(chances[name])
        right.append(name == truth)
    return np.array(sure), np.array(right)


def weighted_error(
    sure: NDArray[np.float64], right: NDArray[np.bool_], weight: NDArray[np.float64], bins: int = 15
) -> float:
    """The expected calibration error with looks weighted (`expected_error` counts each once)."""
    at = np.clip(np.ceil(sure * bins).astype(int) - 1, 0, bins - 1)
    gaps = np.bincount(at, weight * sure, bins) - np.bincount(at, weight * right, bins)
    return float(np.abs(gaps).sum() / weight.sum())


def likeness(looks: Looks, calibration: Calibration, leaning: NDArray[np.float64]) -> dict[str, float]:
    """Intraclass correlation of the evidence of the looks at one visit, and at one empty place.

    One-way analysis of variance of the evidence for somebody, each animal (and each sort of empty place) by
    itself. Returns animal or place -> correlation.
    """
    values = np.array([there_ratio(groups) for groups in groups_of(looks, calibration, leaning)])
    names = np.where(looks.group == NOBODY, looks.place, looks.animal)
    keys = np.array([f"{f}/{s}/{v}" for f, s, v in zip(looks.family, looks.seed, looks.visit, strict=True)])
    found = {}
    for name in np.unique(names):
        mine = names == name
        visits = [values[mine & (keys == key)] for key in np.unique(keys[mine])]
        visits = [visit for visit in visits if len(visit) > 1]
        within = np.average([visit.var(ddof=1) for visit in visits], weights=[len(v) - 1 for v in visits])
        size = np.mean([len(visit) for visit in visits])
        between = max(0.0, float(np.var([visit.mean() for visit in visits], ddof=1) - within / size))
        found[str(name)] = float(between / (between + within)) if between + within > 0 else 1.0
    return found


def report(name: str, looks: Looks, calibration: Calibration, leaning: NDArray[np.float64]) -> None:
    """Print the errors of calibration on `looks`."""
    sure, right = said(looks, calibration, leaning)
    weight = weights(looks, np.zeros(len(looks), dtype=bool))
    print(
        f"{name}: {len(looks)} looks, right {right.mean():.3f}, ECE {expected_error(sure, right):.3f}; "
        f"groups weighted as the prior: right {(weight * right).sum():.3f}, "
        f"ECE {weighted_error(sure, right, weight):.3f}"
    )


def main() -> None:
    arguments = argparse.ArgumentParser(description="Calibrate the classifier's groups.")
    arguments.add_argument("--looks", type=Path, required=True)
    arguments.add_argument("--wheels", type=Path, required=True)
    arguments.add_argument("--media", type=Path)
    arguments.add_argument("--write", action="store_true", help="put the plane beside the model")
    given = arguments.parse_args()
    if given.write and not given.media:
        arguments.error(
            "the plane that ships was made with --media; without it --write would replace it by another"
        )
    known = material(given.looks, given.wheels, given.media)
    made = planes(known)
    unseen = model_presence.unseen(made, known.looks, known.part)
    calibration = fit(known.looks, weights(known.looks, known.photograph), unseen)
    print(calibration)
    table = presence.text(made.whole).encode()
    print(f"{PRESENCE}: sha256 {sha256(table)}")
    drawn = model_looks.scenes("development", NOISE, DEVELOPMENT_SEEDS, given.looks)
    seen = model_presence.unseen(made, drawn, part(drawn))
    alike = likeness(drawn, calibration, seen)
    listed = ", ".join(f"{name} {value:.2f}" for name, value in alike.items())
    print(f"likeness of the looks: mean {np.mean(list(alike.values())):.2f} ({listed})")
    report("development scenes", drawn, calibration, seen)
    test = {"test scenes": model_looks.scenes("test", NOISE, TEST_SEEDS, given.looks)}
    if given.media:
        test["test photographs"] = model_looks.photographs("test", given.media)
    for name, looks in test.items():
        report(name, looks, calibration, leanings(made.whole, looks))
    if given.write:
        BUILT_IN.with_name(PRESENCE).write_bytes(table)


if __name__ == "__main__":
    main()
