"""Visitors that the owner taught: pictures with names, as a network's features. Pure.

Each name is the mean of its marked pictures' features (nearest class mean; Mensink et al. 2013,
"Distance-based image classification", IEEE TPAMI 35), in features that are centred on what all marks have
in common and then of length 1. A look is like a name by its cosine with the mean, less its cosine with
the next best: being near one name is worth little where another is as near.

Open set: what is unlike all taught stays "not sure". Each mark is told by means made without it (leave
one out); the threshold is where `acceptance` of the marks would still be told, over all names together,
since three pictures of one name have no quantile of their own. Names with a single mark have no mean
without it: they borrow the threshold of the others, and where all are single a fixed one.

Marks are all that is kept, so a mark can be taken back, and nothing has to be fitted for long.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.core.arrays import packed, sealed, unpacked, unsealed
from dooryard.core.records import Features

MOST_NAMES = 200
MOST_MARKS = 40  # pictures kept of each name; the oldest goes first
ACCEPTANCE = 0.95
_MOST_BYTES = 64_000_000
_ALONE = 0.35  # threshold where no name has two marks: our own choice


class NamedPicture(NamedTuple):
    """One picture that the owner named."""

    picture: str  # names it, for taking it back
    name: str  # lower case, as it is told
    group: str
    features: Features  # (D,) float32


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """What can be told by teaching. K names; the arrays follow from the marks alone."""

    marks: tuple[NamedPicture, ...]
    names: tuple[str, ...]  # sorted
    centre: NDArray[np.float32]  # (D,)
    means: NDArray[np.float32]  # (K, D), of length 1
    threshold: float  # of the score, from which a name is told
    scores: NDArray[np.float32]  # (M,) leave-one-out score of each mark for its own name; nan: a single mark


class Telling(NamedTuple):
    """What a look is like."""

    name: str
    group: str
    score: float
    sure: float  # share of the marks, told without themselves, that would score lower; 0..1
    told: bool  # like enough to be told


class Doubt(NamedTuple):
    """A mark that the other marks speak against."""

    picture: str
    name: str
    looks_like: str | None  # the name it is more like, or None: more like its own than any other


def teach(marks: tuple[NamedPicture, ...], acceptance: float = ACCEPTANCE) -> Taught:
    """Return what `marks` teach. Raises ValueError for no marks, or features of different lengths."""
    if not marks or len({mark.features.shape for mark in marks}) != 1:
        raise ValueError("there must be marks, with features of one network")
    marks = _bounded(marks)
    names = tuple(sorted({mark.name for mark in marks}))
    if len(names) > MOST_NAMES:
        raise ValueError(f"{len(names)} names; at most {MOST_NAMES} can be taught")
    raw = np.stack([mark.features for mark in marks]).astype(np.float32)
    of = np.array([names.index(mark.name) for mark in marks])
    means = [_units(raw)[of == k].mean(axis=0, dtype=np.float32) for k in range(len(names))]
    centre: NDArray[np.float32] = np.stack(means).mean(axis=0, dtype=np.float32)
    vectors = _units(_units(raw) - centre) if len(names) > 1 else _units(raw)
    centre = centre if len(names) > 1 else np.zeros_like(centre)
    sums = np.stack([vectors[of == k].sum(axis=0) for k in range(len(names))])
    scores = _left_out(vectors, of, sums)
    known = scores[np.isfinite(scores)]
    threshold = float(np.quantile(known, 1 - acceptance)) if known.size >= 2 else _ALONE
    return Taught(marks, names, centre, _units(sums), threshold, scores)


def tell(taught: Taught, features: Features) -> Telling:
    """Return what `features` (D,) are most like, and whether that is enough."""
    vector = _units(_units(features[np.newaxis]) - taught.centre)
    scores = _margins(_products(vector, taught.means))[0]
    best = int(scores.argmax())
    known = taught.scores[np.isfinite(taught.scores)]
    score = float(scores[best])
    sure = float((known < score).mean()) if known.size >= 2 else 0.0
    group = next(mark.group for mark in taught.marks if mark.name == taught.names[best])
    return Telling(taught.names[best], group, score, sure, score >= taught.threshold)


def doubts(taught: Taught) -> tuple[Doubt, ...]:
    """Return the marks that would not be told by their own name if they were not marked themselves."""
    found = []
    for at, mark in enumerate(taught.marks):
        rest = taught.marks[:at] + taught.marks[at + 1 :]
        if not np.isfinite(taught.scores[at]) or taught.scores[at] >= taught.threshold:
            continue
        other = tell(teach(rest), mark.features)
        like = other.name if other.name != mark.name else None
        found.append(Doubt(mark.picture, mark.name, like))
    return tuple(found)


def without(marks: tuple[NamedPicture, ...], picture: str) -> tuple[NamedPicture, ...]:
    """`marks` with those of `picture` taken back."""
    return tuple(mark for mark in marks if mark.picture != picture)


def save(marks: tuple[NamedPicture, ...], model: str) -> bytes:
    """Return `marks` as bytes; `model` names the network whose features they are."""
    return sealed(
        packed(
            {
                "model": np.array(model),
                "words": np.array(
                    [(mark.picture, mark.name, mark.group) for mark in marks], dtype=np.str_
                ).reshape(-1, 3),
                "features": np.array([mark.features for mark in marks], dtype=np.float16),
            }
        )
    )


def load(data: bytes, model: str, feature_count: int) -> tuple[NamedPicture, ...] | None:
    """Return the marks that `save` took, or None: damaged, too many, or another network's."""
    sound_data = unsealed(data)
    saved = None if sound_data is None else unpacked(sound_data, _MOST_BYTES)
    if saved is None:
        return None
    try:
        words, features, of = saved["words"], saved["features"], str(saved["model"])
    except KeyError:
        return None
    sound = words.dtype.kind == "U" and words.shape == (len(features), 3)
    fits = features.dtype == np.float16 and (features.shape[1:] == (feature_count,) or not len(features))
    if of != model or not sound or not fits or not np.isfinite(features).all():
        return None
    return tuple(
        NamedPicture(str(picture), str(name), str(group), row.astype(np.float32))
        for (picture, name, group), row in zip(words, features, strict=True)
    )


def _bounded(marks: tuple[NamedPicture, ...]) -> tuple[NamedPicture, ...]:
    """At most `MOST_MARKS` of each name, the newest (which stand last)."""
    left: dict[str, int] = {}
    kept = []
    for mark in reversed(marks):
        left[mark.name] = left.get(mark.name, 0) + 1
        if left[mark.name] <= MOST_MARKS:
            kept.append(mark)
    return tuple(reversed(kept))


def _left_out(
    vectors: NDArray[np.float32], of: NDArray[np.intp], sums: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Score of each of `vectors` (M, D) for its own name, with means (sums (K, D)) made without it."""
    found = np.full(len(vectors), np.nan, dtype=np.float32)
    products = _products(vectors, _units(sums))
    for at, vector in enumerate(vectors):
        own = of[at]
        if (of == own).sum() < 2:
            continue
        alike = products[at].copy()
        alike[own] = float((_units((sums[own] - vector)[np.newaxis])[0] * vector).sum())
        found[at] = _margins(alike[np.newaxis])[0, own]
    return found


def _margins(alike: NDArray[np.float32]) -> NDArray[np.float32]:
    """Turn cosines (M, K) into scores: each less half of the best other one, as far as that is above 0."""
    if alike.shape[1] == 1:
        return alike
    order = np.sort(alike, axis=1)
    best, second = order[:, -1:], order[:, -2:-1]
    other = np.where(alike == best, second, best)
    return np.asarray(alike - 0.5 * np.maximum(other, 0.0), dtype=np.float32)


def _products(vectors: NDArray[np.float32], means: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cosines (M, K). Not by BLAS: its threads cost more than a product so small."""
    return np.asarray(np.einsum("md,kd->mk", vectors, means), dtype=np.float32)


def _units(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    lengths = np.sqrt((rows * rows).sum(axis=1, keepdims=True))
    return np.asarray(rows / np.maximum(lengths, np.float32(1e-12)), dtype=np.float32)
