"""The joining of names over a visit as arrays, so that many sets of numbers can be tried in little time.

It says what `dooryard.classify.species` and `dooryard.tracking.evidence` say, but for their rounding and for
the least likely names; a test holds the two together, and tools/measure_visits.py measures with the real.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dooryard.classify.onnx import ASK_WHICH_FROM
from dooryard.classify.species import LEAST_TOLD, Classes, Numbers
from dooryard.tracking import evidence
from dooryard.tracking.evidence import NAMES, Evidence, EvidenceRules
from measure_visits import Study

_KEPT = 24  # species of each visit, by the look that gives them most


@dataclass(frozen=True)
class Table:
    """N visits of L looks: what each look gives to the visit's likeliest species, at one temperature."""

    chances: NDArray[np.float64]  # (N, L, K)
    numbers: NDArray[np.intp]  # (N, K) of the species, as `Classes` counts them
    listed: NDArray[np.float64]  # (N, L) what all listed species get together
    is_listed: NDArray[np.bool_]  # (N, K)
    asked: NDArray[np.bool_]  # (N, L) whether the species model is asked at all
    bird: NDArray[np.float64]  # (N,) probability of a bird where a bird is told, else 0
    truth: NDArray[np.intp]  # (N,) number of the species; -1: not known to the model
    own: NDArray[np.bool_]  # (N, K) whether it is the visit's own species
    on_list: NDArray[np.bool_]  # (N,) whether the visit's own species is listed


def table(those: Study, classes: Classes, temperature: float, noisy_gain: float) -> Table:
    """Return the table of `those` for the place of `classes`."""
    answers = those.answers
    noisy = (answers.gain >= noisy_gain)[..., np.newaxis]
    logits = np.where(noisy, answers.which_filtered, answers.which).astype(np.float64) / temperature
    powers = np.exp(logits - logits.max(axis=-1, keepdims=True))
    powers /= powers.sum(axis=-1, keepdims=True)
    share = np.zeros((len(classes.species), *powers.shape[:2]))
    np.add.at(share, classes.of_class, np.moveaxis(powers, -1, 0))
    chances = np.moveaxis(share, 0, -1)
    best = np.argsort(-chances.max(axis=1), axis=-1)[:, :_KEPT]
    order = {label.scientific: number for number, label in enumerate(classes.species)}
    truth = np.array([order[one] if one is not None else -1 for one in those.truth], dtype=np.intp)
    asked = np.array([[look["bird"] >= ASK_WHICH_FROM for look in visit] for visit in those.groups])
    return Table(
        np.take_along_axis(chances, best[:, np.newaxis, :], axis=-1),
        best,
        chances[..., classes.listed].sum(axis=-1),
        classes.listed[best],
        asked,
        np.array([_bird(visit) for visit in those.groups]),
        truth,
        best == truth[:, np.newaxis],
        (truth >= 0) & classes.listed[truth],
    )


def _bird(looks: tuple[dict[str, float], ...]) -> float:
    joined = Evidence()
    for groups in looks:
        joined = evidence.added(joined, groups)
    who = evidence.who(joined, EvidenceRules())
    return who.sure if who is not None and who.group == "bird" else 0.0


def told(one: Table, numbers: Numbers, *, struck: bool = False) -> tuple[NDArray[np.bool_], ...]:
    """Whether each visit (N,) is named, and whether rightly; `struck`: its own species is not on the list."""
    listed = one.is_listed & ~one.own if struck else one.is_listed
    off = one.listed - (one.chances * (one.is_listed & one.own)[:, np.newaxis, :]).sum(axis=-1)
    on_list = off if struck else one.listed
    whole = on_list + numbers.unlisted * (1 - on_list)
    weight = np.where(listed, 1.0, numbers.unlisted)[:, np.newaxis, :]
    chances = (1 - numbers.nameless) * one.chances * weight / np.maximum(whole, 1e-12)[..., np.newaxis]
    chances += numbers.nameless / NAMES
    named = (chances >= LEAST_TOLD) & one.asked[..., np.newaxis]
    rest = np.clip(1 - (chances * named).sum(axis=-1), 1 / NAMES, 1.0)
    unnamed = np.where(one.asked, np.log(rest), 0.0)
    gain = np.where(named, np.log(chances * NAMES) - unnamed[..., np.newaxis], 0.0).sum(axis=1)
    looks = one.chances.shape[1]
    powers = np.where(named.any(axis=1), np.exp(gain / (1 + (looks - 1) * numbers.likeness)), 0.0)
    total = powers.sum(axis=-1) + NAMES - named.any(axis=1).sum(axis=-1)
    own = np.where(listed, powers, 0.0)
    best = own.argmax(axis=-1)
    sure = own[np.arange(len(own)), best] / total
    is_told = (sure >= numbers.told_from) & (one.bird > 0)
    return is_told, is_told & one.own[np.arange(len(own)), best]
