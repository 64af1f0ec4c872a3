"""Fit the calibration of the built-in model's groups, and report how well it holds on unseen material.

    python tools/calibrate_model.py --looks FOLDER [--media FOLDER]

Fitted on the development scenes of tools/model_scenes.py (with `--media`, also on every second photograph
of house sparrows and of places with nobody there), reported on the test scenes and the other photographs.
FOLDER keeps what the network said, since rendering takes minutes.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

import model_looks
from dooryard.classify import labels, scores
from dooryard.classify.calibration import (
    NOBODY,
    PRIOR,
    Calibration,
    Line,
    calibrated,
    evidence_of,
    expected_error,
)
from dooryard.classify.evidence import there_ratio
from dooryard.classify.labels import GROUPS
from dooryard.classify.onnx import BUILT_IN
from model_looks import Looks

DEVELOPMENT_SEEDS, TEST_SEEDS = (1, 2), (11, 12)
NOISE = 0.3
_REAL = 3.0  # weight of a photograph against a drawn picture of the same kind
ANIMAL = Line(2.0, -2.8)
"""Of other animals there are none in the development scenes, so their line is set, not fitted: 0.8 of the
network's probability makes it even. Leaves and scrub get 0.4 at most in 99 of 100 looks at nobody."""
_CLASSES = (NOBODY, *GROUPS)
TABLE = labels.parse(BUILT_IN.with_name("lite0-labels.csv").read_text(encoding="utf-8"), 1000, "labels")
PLACES = scores.positions(TABLE)


def totals(looks: Looks) -> list[dict[str, float]]:
    """What the network gives to each group, before calibration."""
    return [scores.sums(scores.probabilities(row), PLACES) for row in looks.logits]


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


def fit(looks: Looks, weight: NDArray[np.float64]) -> Calibration:
    """The calibration with the least weighted log loss on `looks` (and a slight pull towards slope 1)."""
    evidence = np.array([[evidence_of(total)[group] for group in GROUPS] for total in totals(looks)])
    truth = np.array([_CLASSES.index(group) for group in looks.group])
    line_of = np.array([0 if group == "bird" else 2 if group == "animal" else 1 for group in GROUPS])

    def loss(values: NDArray[np.float64]) -> float:
        lines = np.array([*values.reshape(2, 2), ANIMAL])
        odds = evidence * lines[line_of, 0] + lines[line_of, 1]
        logits = np.concatenate([np.zeros((len(odds), 1)), odds], axis=1)
        logits -= logits.max(axis=1, keepdims=True)
        logs = logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))
        pull = 0.002 * float(((lines[:2, 0] - 1) ** 2).sum() + ((lines[:2, 1] + 1) ** 2).sum() / 10)
        return float(-(weight * logs[np.arange(len(truth)), truth]).sum()) + pull

    best = minimize(loss, np.tile([1.0, 0.0], 2), method="L-BFGS-B", bounds=[(0.2, 3.0), (-6.0, 6.0)] * 2)
    bird, mammal = (Line(round(float(a), 3), round(float(b), 3)) for a, b in best.x.reshape(2, 2))
    return Calibration(bird, mammal, ANIMAL)


def said(looks: Looks, calibration: Calibration) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """For each look, the probability of the likeliest answer and whether it is right."""
    sure, right = [], []
    for total, truth in zip(totals(looks), looks.group, strict=True):
        chances = calibrated(total, calibration)
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


def likeness(looks: Looks, calibration: Calibration) -> dict[str, float]:
    """Intraclass correlation of the evidence of the looks at one visit, and at one empty place.

    One-way analysis of variance of the evidence for somebody, each animal (and each sort of empty place) by
    itself. Returns animal or place -> correlation.
    """
    values = np.array([there_ratio(calibrated(total, calibration)) for total in totals(looks)])
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


def report(name: str, looks: Looks, calibration: Calibration) -> None:
    """Print the errors of calibration on `looks`."""
    sure, right = said(looks, calibration)
    weight = weights(looks, np.zeros(len(looks), dtype=bool))
    print(
        f"{name}: {len(looks)} looks, right {right.mean():.3f}, ECE {expected_error(sure, right):.3f}; "
        f"groups weighted as the prior: right {(weight * right).sum():.3f}, "
        f"ECE {weighted_error(sure, right, weight):.3f}"
    )


def main() -> None:
    arguments = argparse.ArgumentParser(description="Calibrate the classifier's groups.")
    arguments.add_argument("--looks", type=Path, required=True)
    arguments.add_argument("--media", type=Path)
    given = arguments.parse_args()
    drawn = model_looks.scenes("development", NOISE, DEVELOPMENT_SEEDS, given.looks)
    parts, real = [drawn], [np.zeros(len(drawn), dtype=bool)]
    if given.media:
        parts.append(model_looks.photographs("development", given.media))
        real.append(np.ones(len(parts[-1]), dtype=bool))
    looks, marks = model_looks.joined(parts), np.concatenate(real)
    calibration = fit(looks, weights(looks, marks))
    print(calibration)
    alike = likeness(drawn, calibration)
    listed = ", ".join(f"{name} {value:.2f}" for name, value in alike.items())
    print(f"likeness of the looks: mean {np.mean(list(alike.values())):.2f} ({listed})")
    report("development scenes", drawn, calibration)
    report("test scenes", model_looks.scenes("test", NOISE, TEST_SEEDS, given.looks), calibration)
    if given.media:
        for split in ("development", "test"):
            report(f"{split} photographs", model_looks.photographs(split, given.media), calibration)


if __name__ == "__main__":
    main()
