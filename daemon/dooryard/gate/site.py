"""What the place teaches: each region of the picture has a bar of its own.

A region that sent the classifier pictures of nobody raises its bar by a step; a region where somebody
really was lowers it by a smaller one; all bars forget with a time constant of hours. Bars stay between
1 and `HIGHEST`, so no region ever becomes blind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dooryard.gate.grid import Map, cells_of

if TYPE_CHECKING:
    from dooryard.records import Box

REGIONS = (6, 8)  # rows, columns
RAISE = 1.12  # factor for one "nobody there"
LOWER = 0.96  # factor for one "somebody"
HIGHEST = 3.0
FORGET_S = 4 * 3600.0
APART_S = 2.0  # verdicts on the same region count again only after this long


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """Arrays of shape `REGIONS`, never written to in place."""

    bar: Map  # factor on the score that is just enough, 1 .. HIGHEST
    since_s: Map  # time since a verdict last moved this region's bar
    nobody: Map  # verdicts "nobody there" so far
    somebody: Map  # verdicts "somebody" so far


def new_site() -> Site:
    """A place of which nothing is known."""
    zero = np.zeros(REGIONS, np.float32)
    return Site(np.ones(REGIONS, np.float32), np.full(REGIONS, APART_S, np.float32), zero, zero)


def pass_time(site: Site, dt_s: float) -> Site:
    """Forget a little."""
    keep = np.float32(math.exp(-dt_s / FORGET_S))
    bar = np.float32(1) + (site.bar - np.float32(1)) * keep
    since = np.minimum(site.since_s + np.float32(dt_s), np.float32(FORGET_S))
    return Site(bar, since, site.nobody, site.somebody)


def verdict(site: Site, box: Box, somebody: bool) -> Site:
    """Let the classifier's word on `box` move the bars of the regions that it touches."""
    where = np.zeros(REGIONS, np.bool_)
    where[cells_of(box, REGIONS)] = True
    where &= site.since_s >= APART_S
    moved = np.clip(site.bar * np.float32(LOWER if somebody else RAISE), 1, HIGHEST)
    one = where.astype(np.float32)
    return Site(
        bar=np.where(where, moved, site.bar).astype(np.float32),
        since_s=np.where(where, np.float32(0), site.since_s),
        nobody=site.nobody if somebody else site.nobody + one,
        somebody=site.somebody + one if somebody else site.somebody,
    )


def bar_at(site: Site, box: Box) -> float:
    """The bar of the region in which the centre of `box` lies."""
    x, y = box.centre
    row = min(REGIONS[0] - 1, max(0, int(y * REGIONS[0])))
    col = min(REGIONS[1] - 1, max(0, int(x * REGIONS[1])))
    return float(site.bar[row, col])
