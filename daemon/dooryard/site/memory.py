"""What this place looks like when nobody is there, in the network's own features. Pure.

Looks at nobody are kept as vectors, per part of the view: half of each part's places go to its newest looks
(the light and the season go on), half to those most unlike each other (rain, dusk, snow). What they have in
common is their mean and the directions along which they differ most: their principal components. How
strange a new look is: what these leave over of it (the residual of Jackson & Mudholkar, "Control procedures
for residuals associated with principal component analysis", Technometrics 21, 1979; cited from memory),
against how much they usually leave over of looks at nobody that they had not been made of. That threshold
belongs to the place: about `FALSE_RATE` of its looks at nobody are called strange, wherever the box hangs. It
is made of the newest looks learned: of the first ones much is left over only because there was little before
them, and the light and the season go on.

What was learned by mistake must not blind the box: `usual` says how. What the owner called nobody takes part
at once, says nothing of how far looks usually stray, and is forgotten when that word is taken back.

Novelty is no animal: a hard shadow, a change of exposure and a new plant are strange too. So it is
evidence beside the network's, worth at most `MOST_NOVEL`, and never a judge alone. That a look is
nothing new here is the better evidence, and may weigh more (`MOST_FAMILIAR`).

Cold start: until `LEAST` looks at nobody were learned, and as many compared with those before them, there is
no answer, and the network decides with its plane alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dooryard.classify.presence import unit
from dooryard.core.arrays import packed, unpacked
from dooryard.core.records import Box, Features
from dooryard.site.subspace import LEAST, Subspace, quantile_of, residual, subspace_of

ROWS, COLUMNS = 3, 4  # parts of the view
PER_PART = 24  # looks kept of each, half of them the newest
RESIDUALS = 256  # the later half of them makes the threshold, as far as `Subspace.longest` allows
KEPT_MARKS = 6  # looks of each part that the owner called nobody are not forgotten for others
_SHORTEST = 1e-2  # of a threshold
_MOST_BYTES = 8_000_000
_FORM = 3  # of what is saved

SLOPE, TURN = 6.46, 0.31
"""Log-likelihood ratio = SLOPE * (novelty - TURN), fitted beside the network's evidence on development
scenes by tools/measure_memory_model.py, a wrong "somebody" counting as much as ten looks missed."""
MOST_NOVEL, MOST_FAMILIAR = 2.0, 8.0


@dataclass(frozen=True, slots=True, eq=False)
class SiteMemory:
    """What was learned. N looks, bounded by ROWS * COLUMNS * PER_PART."""

    vectors: NDArray[np.float32]  # (N, D), of length 1, in values that float16 can hold
    part: NDArray[np.int16]  # (N,) which part of the view
    order: NDArray[np.int64]  # (N,) grows with each look learned
    mark: NDArray[np.int64]  # (N,) the number of the owner's mark that says so; 0: nobody said it
    residuals: NDArray[np.float32]  # (up to RESIDUALS,) what was left over of looks before they were learned
    learned: int = 0
    usual: Subspace | None = None  # worked out from `vectors`, not saved; None: too few
    threshold: float | None = None  # worked out as well: what `FALSE_RATE` of looks at nobody exceed


def blank(feature_count: int) -> SiteMemory:
    """A memory of nothing."""
    return SiteMemory(
        np.empty((0, feature_count), dtype=np.float32),
        np.empty(0, dtype=np.int16),
        np.empty(0, dtype=np.int64),
        np.empty(0, dtype=np.int64),
        np.empty(0, dtype=np.float32),
    )


def novelty(memory: SiteMemory, features: Features) -> float | None:
    """Return log(what is left over / what `FALSE_RATE` of looks at nobody here exceed); None: not yet known.

    Below 0 it is nothing new here. `features` (D,) float32; raises ValueError for another length.
    """
    vector = _vector(memory, features)
    if vector is None or memory.usual is None or memory.threshold is None:
        return None
    return math.log(max(residual(memory.usual, vector), 1e-6) / memory.threshold)


def threshold_of(residuals: NDArray[np.float32], usual: Subspace | None) -> float | None:
    """How large residuals of looks at nobody usually are here, by `residuals` (N,); None: not known."""
    if usual is None or len(residuals) < LEAST:
        return None
    return max(min(quantile_of(residuals[len(residuals) // 2 :]), usual.longest), _SHORTEST)


def ratio(novelty: float | None) -> float:
    """Return the log-likelihood ratio of somebody against nobody; 0 where nothing is known."""
    if novelty is None:
        return 0.0
    return min(max(SLOPE * (novelty - TURN), -MOST_FAMILIAR), MOST_NOVEL)


def posterior(groups: Mapping[str, float], log_ratio: float) -> dict[str, float]:
    """Return the groups' probabilities after evidence of `log_ratio` for somebody; shares stay."""
    there = min(1.0, sum(groups.values()))
    if there <= 0.0:
        return dict(groups)
    grown = there * math.exp(log_ratio)
    factor = grown / (grown + 1.0 - there) / there
    return {group: groups[group] * factor for group in groups}


def learn(memory: SiteMemory, box: Box, features: Features, mark: int = 0) -> SiteMemory:
    """Take in a look at `box` where nobody was, by the owner's `mark`, if any. `features` (D,) float32."""
    vector, residuals = _vector(memory, features), memory.residuals
    if vector is None:
        return memory
    if memory.usual is not None and not mark:
        residuals = np.append(residuals, np.float32(residual(memory.usual, vector)))[-RESIDUALS:]
    part = _part(box)
    kept = vector.astype(np.float16).astype(np.float32)  # as `save` keeps it
    vectors = np.concatenate([memory.vectors, kept[np.newaxis]])
    parts = np.append(memory.part, np.int16(part))
    order = np.append(memory.order, np.int64(memory.learned))
    marks = np.append(memory.mark, np.int64(mark))
    keep = np.ones(len(vectors), dtype=bool)
    mine = np.flatnonzero(parts == part)
    if len(mine) > PER_PART:
        keep[_least_worth(vectors, marks, mine)] = False
    return _worked_out(
        SiteMemory(vectors[keep], parts[keep], order[keep], marks[keep], residuals, memory.learned + 1)
    )


def forget(memory: SiteMemory, marks: Collection[int]) -> SiteMemory:
    """Return `memory` without what was learned by `marks`, numbers above 0; itself, if that is nothing."""
    keep = ~np.isin(memory.mark, list(marks))
    if keep.all():
        return memory
    return _worked_out(
        replace(
            memory,
            vectors=memory.vectors[keep],
            part=memory.part[keep],
            order=memory.order[keep],
            mark=memory.mark[keep],
        )
    )


def save(memory: SiteMemory, model: str) -> bytes:
    """Return `memory` as bytes; `model` names the network whose features they are."""
    return packed(
        {
            "form": np.array(_FORM),
            "model": np.array(model),
            "vectors": memory.vectors.astype(np.float16),
            "part": memory.part,
            "order": memory.order,
            "mark": memory.mark,
            "strays": memory.residuals,
            "learned": np.array(memory.learned),
        }
    )


def load(data: bytes, model: str, feature_count: int) -> SiteMemory | None:
    """Return what `save` made, or None: it is damaged, too large, of another form or another network's."""
    arrays = unpacked(data, _MOST_BYTES)
    if arrays is None:
        return None
    try:
        if int(arrays["form"]) != _FORM or str(arrays["model"]) != model:
            return None
        if arrays["vectors"].dtype != np.float16:
            return None
        found = SiteMemory(
            arrays["vectors"].astype(np.float32),
            arrays["part"],
            arrays["order"],
            arrays["mark"],
            arrays["strays"],
            int(arrays["learned"]),
        )
    except (ValueError, KeyError, TypeError):  # of another form
        return None
    return _worked_out(found) if _sound(found, feature_count) else None


def _sound(memory: SiteMemory, feature_count: int) -> bool:
    count = len(memory.vectors)
    kinds = (
        (memory.vectors, np.float32, (count, feature_count)),
        (memory.part, np.int16, (count,)),
        (memory.order, np.int64, (count,)),
        (memory.mark, np.int64, (count,)),
        (memory.residuals, np.float32, (len(memory.residuals),)),
    )
    return (
        all(array.dtype == kind and array.shape == shape for array, kind, shape in kinds)
        and count <= ROWS * COLUMNS * PER_PART
        and len(memory.residuals) <= RESIDUALS
        and bool(np.isfinite(memory.vectors).all() and np.isfinite(memory.residuals).all())
        and memory.learned >= count
        and bool(((memory.part >= 0) & (memory.part < ROWS * COLUMNS)).all())
    )


def _worked_out(memory: SiteMemory) -> SiteMemory:
    """`memory` with what follows from what it keeps."""
    usual = subspace_of(memory.vectors, memory.mark > 0)
    return replace(memory, usual=usual, threshold=threshold_of(memory.residuals, usual))


def _vector(memory: SiteMemory, features: Features) -> NDArray[np.float32] | None:
    if features.shape != memory.vectors.shape[1:]:
        raise ValueError(f"features of shape {features.shape}, the memory has {memory.vectors.shape[1:]}")
    return unit(features)


def _part(box: Box) -> int:
    x, y = box.centre
    return min(int(y * ROWS), ROWS - 1) * COLUMNS + min(int(x * COLUMNS), COLUMNS - 1)


def _least_worth(vectors: NDArray[np.float32], marks: NDArray[np.int64], mine: NDArray[np.intp]) -> int:
    """Index of the look to forget among `mine` (oldest first): an older one that is most like another."""
    older = mine[: -(PER_PART // 2)]
    if np.count_nonzero(marks[older]) <= KEPT_MARKS:
        older = older[marks[older] == 0]
    unit = vectors[older]
    alike = np.einsum("id,jd->ij", unit, unit)
    np.fill_diagonal(alike, -1.0)
    pair = np.unravel_index(int(alike.argmax()), alike.shape)
    return int(older[min(pair)])  # of two alike the older one
