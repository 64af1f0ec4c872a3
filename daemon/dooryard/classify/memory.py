"""What this place looks like when nobody is there, in the network's own features. Pure.

Looks at nobody are kept as unit vectors, per part of the view: half of each part's places go to its
newest looks (the light and the season go on), half to those most unlike each other (rain, dusk, snow).
How strange a new look is: its distance from the nearest of them, against how far looks at nobody here
usually stray from those before them. That yardstick belongs to the place, so that `FALSE_RATE` of its looks
at nobody are called strange, wherever the box hangs. It is made of the later half of the looks learned: the
first ones stray far only because there was little before them.

Strangeness is no animal: a hard shadow, a change of exposure and a new plant are strange too. So it is
evidence beside the network's, worth at most `MOST_STRANGE`, and never a judge alone. That a look is
nothing new here is the better evidence, and may weigh more (`MOST_FAMILIAR`).

Cold start: until `LEAST` looks at nobody were learned there is no answer, and the network alone decides.
"""

from __future__ import annotations

import io
import math
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dooryard.records import Box, Features

ROWS, COLUMNS = 3, 4  # parts of the view
PER_PART = 24  # looks kept of each, half of them the newest
LEAST = 16
FALSE_RATE = 0.05
NEAREST = 3  # the distance is a mean over so many, so that one odd look learned does not open a hole
STRAYS = 256
_MOST_BYTES = 8_000_000

SLOPE, TURN = 9.4, 0.46
"""Log-likelihood ratio = SLOPE * (strangeness - TURN), fitted on development scenes by
tools/measure_memory_model.py, a wrong "somebody" counting as much as ten looks missed."""
MOST_STRANGE, MOST_FAMILIAR = 2.0, 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Memory:
    """What was learned. N looks, bounded by ROWS * COLUMNS * PER_PART."""

    vectors: NDArray[np.float32]  # (N, D), of length 1, in values that float16 can hold
    part: NDArray[np.int16]  # (N,) which part of the view
    order: NDArray[np.int64]  # (N,) grows with each look learned
    strays: NDArray[np.float32]  # (up to STRAYS,) distances of looks at nobody before they were learned
    learned: int = 0

    @property
    def ready(self) -> bool:
        """Whether it can say anything yet."""
        return len(self.vectors) >= LEAST and len(self.strays) >= LEAST


def blank(feature_count: int) -> Memory:
    """A memory of nothing."""
    return Memory(
        np.empty((0, feature_count), dtype=np.float32),
        np.empty(0, dtype=np.int16),
        np.empty(0, dtype=np.int64),
        np.empty(0, dtype=np.float32),
    )


def strangeness(memory: Memory, features: Features) -> float | None:
    """Return log(distance / what `FALSE_RATE` of looks at nobody here exceed), or None: not yet known.

    Below 0 it is nothing new here. `features` (D,) float32; raises ValueError for another length.
    """
    distance = _distance(memory.vectors, _unit(memory, features))
    if distance is None or not memory.ready:
        return None
    return math.log(max(distance, 1e-6) / max(_usual(memory.strays), 1e-3))


def ratio(strange: float | None) -> float:
    """Return the log-likelihood ratio of somebody against nobody; 0 where nothing is known."""
    if strange is None:
        return 0.0
    return min(max(SLOPE * (strange - TURN), -MOST_FAMILIAR), MOST_STRANGE)


def weighed(groups: Mapping[str, float], log_ratio: float) -> dict[str, float]:
    """Return the groups' probabilities after evidence of `log_ratio` for somebody; shares stay."""
    there = min(1.0, sum(groups.values()))
    if there <= 0.0:
        return dict(groups)
    grown = there * math.exp(log_ratio)
    factor = grown / (grown + 1.0 - there) / there
    return {group: groups[group] * factor for group in groups}


def learn(memory: Memory, box: Box, features: Features) -> Memory:
    """Take in a look at `box` where nobody was. `features` (D,) float32."""
    vector = _unit(memory, features)
    strays = memory.strays
    distance = _distance(memory.vectors, vector)
    if distance is not None and len(memory.vectors) >= LEAST:
        strays = np.append(strays, np.float32(distance))[-STRAYS:]
    part = _part(box)
    kept = vector.astype(np.float16).astype(np.float32)  # as `save` keeps it
    vectors = np.concatenate([memory.vectors, kept[np.newaxis]])
    parts = np.append(memory.part, np.int16(part))
    order = np.append(memory.order, np.int64(memory.learned))
    keep = np.ones(len(vectors), dtype=bool)
    mine = np.flatnonzero(parts == part)
    if len(mine) > PER_PART:
        keep[_least_worth(vectors, mine)] = False
    return Memory(vectors[keep], parts[keep], order[keep], strays, memory.learned + 1)


def save(memory: Memory, model: str) -> bytes:
    """Return `memory` as bytes; `model` names the network whose features they are."""
    out = io.BytesIO()
    np.savez_compressed(
        out,
        model=np.array(model),
        vectors=memory.vectors.astype(np.float16),
        part=memory.part,
        order=memory.order,
        strays=memory.strays,
        learned=np.array(memory.learned),
    )
    return out.getvalue()


def load(data: bytes, model: str, feature_count: int) -> Memory | None:
    """Return what `save` made, or None: it is damaged, too large, or belongs to another network."""
    try:
        arrays = _arrays(data)
        if str(arrays["model"]) != model:
            return None
        if arrays["vectors"].dtype != np.float16:
            return None
        vectors = arrays["vectors"].astype(np.float32)
        found = Memory(vectors, arrays["part"], arrays["order"], arrays["strays"], int(arrays["learned"]))
    except (zipfile.BadZipFile, zlib.error, ValueError, KeyError, TypeError, EOFError, OSError):
        return None
    return found if _sound(found, feature_count) else None


def _arrays(data: bytes) -> dict[str, NDArray[Any]]:
    """Read all arrays, refusing what would unpack to more than a memory can be."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if sum(entry.file_size for entry in archive.infolist()) > _MOST_BYTES:
            raise ValueError("unpacks to more than any memory")
    with np.load(io.BytesIO(data), allow_pickle=False) as saved:
        return {name: saved[name] for name in saved.files}


def _sound(memory: Memory, feature_count: int) -> bool:
    count = len(memory.vectors)
    kinds = (
        (memory.vectors, np.float32, (count, feature_count)),
        (memory.part, np.int16, (count,)),
        (memory.order, np.int64, (count,)),
        (memory.strays, np.float32, (len(memory.strays),)),
    )
    return (
        all(array.dtype == kind and array.shape == shape for array, kind, shape in kinds)
        and count <= ROWS * COLUMNS * PER_PART
        and len(memory.strays) <= STRAYS
        and bool(np.isfinite(memory.vectors).all() and np.isfinite(memory.strays).all())
        and memory.learned >= count
        and bool(((memory.part >= 0) & (memory.part < ROWS * COLUMNS)).all())
    )


def _unit(memory: Memory, features: Features) -> NDArray[np.float32]:
    if features.shape != memory.vectors.shape[1:]:
        raise ValueError(f"features of shape {features.shape}, the memory has {memory.vectors.shape[1:]}")
    length = float(np.linalg.norm(features))
    return np.asarray(features / np.float32(max(length, 1e-12)), dtype=np.float32)


def _distance(vectors: NDArray[np.float32], vector: NDArray[np.float32]) -> float | None:
    """1 - cosine to the nearest of `vectors`, a mean over `NEAREST`."""
    if len(vectors) < NEAREST:
        return None
    # Not by BLAS: its threads cost more than a product so small.
    alike = np.einsum("nd,d->n", vectors, vector)
    return float(1.0 - np.partition(alike, -NEAREST)[-NEAREST:].mean())


def _usual(strays: NDArray[np.float32]) -> float:
    """The distance that `FALSE_RATE` of the later half of `strays` exceed."""
    later = strays[len(strays) // 2 :]
    at = int((1 - FALSE_RATE) * len(later))  # numpy's own quantile takes as long as the distances do
    return float(np.partition(later, at)[at])


def _part(box: Box) -> int:
    x, y = box.centre
    return min(int(y * ROWS), ROWS - 1) * COLUMNS + min(int(x * COLUMNS), COLUMNS - 1)


def _least_worth(vectors: NDArray[np.float32], mine: NDArray[np.intp]) -> int:
    """Index of the look to forget among `mine` (oldest first): an older one that is most like another."""
    older = mine[: -(PER_PART // 2)]
    unit = vectors[older]
    alike = np.einsum("id,jd->ij", unit, unit)
    np.fill_diagonal(alike, -1.0)
    pair = np.unravel_index(int(alike.argmax()), alike.shape)
    return int(older[min(pair)])  # of two alike the older one
