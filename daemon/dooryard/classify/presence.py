"""Which way a network's features lie when somebody is there, whoever it is. Pure.

A network that knows few garden visitors spreads its answer over classes that are all wrong, and its sums then
say little about whether there is anybody. Its features still tell: looks at birds and small beasts lie on one
side of a plane, looks at nobody on the other, also for such animals and kinds of scene as the plane was not
made with. Cats and dogs it knows nothing of (photographs of both lean a little to the wrong side), but those
the network's own classes know well. The plane is a logistic regression (Cox 1958, "The regression analysis of
binary sequences", JRSS B 20; cited from memory) with a pull towards zero, fitted by tools/calibrate_model.py
on drawn gardens, on animals laid over photographs, and on photographs.

It is evidence beside the network's classes and the memory of the place: `calibration` adds it, weighed, to
each group's log-odds, and it may say no more than `MOST`. That is enough to decide alone where the classes
say nothing at all; the answer then is a bird, the likeliest of all groups.
"""

from __future__ import annotations

import csv
import io
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dooryard.core.records import Features

MOST = 4.0
"""The most that it may say, either way, before it is weighed: far from the plane it is no surer than near."""
_OFFSET = "offset"
_LARGEST = 1e6  # of a weight: far more than any plane has, and far less than float32 holds


class Presence(NamedTuple):
    """A plane in the space of unit features."""

    direction: NDArray[np.float32]  # (D,) towards somebody
    offset: float


def unit(features: Features) -> NDArray[np.float32] | None:
    """Return `features` (D,), each raised to the power of 1.5, as a float32 vector of length 1.

    (Or shorter, where they are next to nothing.) What the network is sure of counts more by that. None where
    they are no numbers: a network that went wrong says and teaches nothing.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        raised = features * np.sqrt(np.abs(features))
        length = math.sqrt(np.vdot(raised, raised))
    if not math.isfinite(length):
        return None
    return np.asarray(raised / np.float32(max(length, 1e-12)), dtype=np.float32)


def leaning(presence: Presence, features: Features) -> float:
    """Return how far a look leans towards somebody, between -`MOST` and `MOST`; 0 where it cannot be told."""
    vector = unit(features)
    if vector is None:
        return 0.0
    return min(max(float(np.vdot(presence.direction, vector)) + presence.offset, -MOST), MOST)


def parse(text: str, feature_count: int, where: str) -> Presence:
    """Read a table with the columns `feature` ("offset", then 0, 1, ...) and `weight`.

    Raises ValueError, which names `where` and the line, unless it has `feature_count` features in order.
    """
    rows = csv.reader(io.StringIO(text))
    if next(rows, None) != ["feature", "weight"]:
        raise ValueError(f"{where}: line 1: the columns must be feature,weight")
    weights = []
    for number, row in enumerate(rows):
        wanted = str(number - 1) if number else _OFFSET
        if len(row) != 2 or row[0] != wanted:
            raise ValueError(f"{where}: line {number + 2}: expected {wanted!r} and its weight, found {row}")
        weights.append(_number(row[1], f"{where}: line {number + 2}"))
    if len(weights) != feature_count + 1:
        raise ValueError(f"{where}: {len(weights)} rows, expected the offset and {feature_count} features")
    return Presence(np.array(weights[1:], dtype=np.float32), float(np.float32(weights[0])))


def text(presence: Presence) -> str:
    """Return the table that `parse` reads."""
    values = [presence.offset, *presence.direction.tolist()]
    names = [_OFFSET, *map(str, range(len(presence.direction)))]
    rows = (
        f"{name},{np.format_float_positional(np.float32(value), trim='0')}"
        for name, value in zip(names, values, strict=True)
    )
    return "feature,weight\n" + "\n".join(rows) + "\n"


def _number(word: str, where: str) -> float:
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if not abs(value) < _LARGEST:
        raise ValueError(f"{where}: {word!r} is not a number")
    return value
