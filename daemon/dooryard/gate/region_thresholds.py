"""What the place teaches: each region of the picture has a threshold of its own.

Without anybody's help: short transients of the wind (see `transients`) leave their peaks, and `tail` works
out the threshold that keeps them to the target rate. By verdict: a region that sent the classifier pictures
of nobody raises its threshold by a step, one where somebody really was lowers it by a smaller one. All is
forgotten with a time constant of hours, and thresholds stay between 1 and `HIGHEST`, so that no region ever
becomes blind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dooryard.gate.grid import Map, cells_of
from dooryard.gate.tail import THRESHOLD, excess, needed
from dooryard.gate.transients import Running, Transient, follow

if TYPE_CHECKING:
    from dooryard.core.records import Box

REGIONS = (6, 8)  # rows, columns
RAISE = 1.12  # factor for one "nobody there"
LOWER = 0.96  # factor for one "somebody"
HIGHEST = 2.5
HIGHEST_UNTAUGHT = 1.6  # as far as a threshold rises without any verdict
FORGET_S = 4 * 3600.0
APART_S = 2.0  # verdicts on the same region count again only after this long
STEP_S = 5.0  # forgetting is worked out once in so long
AFTER_S = 5.0  # transients so long after a visitor are its own


@dataclass(frozen=True, slots=True, eq=False)
class RegionThresholds:
    """Arrays float32 of shape `REGIONS`, never written to in place."""

    threshold: Map  # score that is just enough, 1 .. HIGHEST
    taught: Map  # the part of the threshold that verdicts have added, a factor >= 1
    since_s: Map  # time since a verdict last moved this region's threshold
    nobody: Map  # verdicts "nobody there" so far
    somebody: Map  # verdicts "somebody" so far
    winds: Map  # short transients of the wind, forgotten slowly
    excesses: Map  # sum of their log peaks over the threshold, forgotten slowly
    watched_h: float = 0.0  # time behind `winds`, forgotten as they are
    due_s: float = 0.0  # time that has passed and is not yet accounted for
    visitor_s: float = 0.0  # how long a visitor's own transients are still left out
    running: tuple[Running, ...] = ()


def new_thresholds() -> RegionThresholds:
    """A place of which nothing is known."""
    zero, one = np.zeros(REGIONS, np.float32), np.ones(REGIONS, np.float32)
    return RegionThresholds(one, one, one * np.float32(APART_S), zero, zero, zero, zero)


def observe(
    site: RegionThresholds, transients: list[Transient], dt_s: float, target_per_h: float
) -> RegionThresholds:
    """Let `dt_s` pass with `transients` in the picture, and forget a little."""
    running, visitor_s = site.running, max(0.0, site.visitor_s - dt_s)
    wind: list[Running] = []
    if transients or running:
        fresh = [] if visitor_s > 0 else transients
        kept = transients if any(transient.visitor for transient in transients) else fresh
        running, wind, here = follow(running, kept, dt_s)
        visitor_s = AFTER_S if here else visitor_s
    due_s = site.due_s + dt_s
    after = replace(site, running=running, visitor_s=visitor_s, due_s=due_s)
    if due_s < STEP_S and not wind:
        return after
    return _set_thresholds(_taken_in(_forget(after), wind), target_per_h)


def _forget(site: RegionThresholds) -> RegionThresholds:
    keep = math.exp(-site.due_s / FORGET_S)
    slower = np.float32(keep)
    return replace(
        site,
        taught=1 + (site.taught - 1) * slower,
        since_s=np.minimum(site.since_s + np.float32(site.due_s), np.float32(FORGET_S)),
        winds=site.winds * slower,
        excesses=site.excesses * slower,
        watched_h=(site.watched_h + site.due_s / 3600) * keep,
        due_s=0.0,
    )


def _taken_in(site: RegionThresholds, wind: list[Running]) -> RegionThresholds:
    """Count transients of the wind that are over."""
    winds, excesses = site.winds.copy(), site.excesses.copy()
    for one in wind:
        if one.peak >= THRESHOLD:
            winds[one.row, one.col] += 1
            excesses[one.row, one.col] += excess(one.peak)
    return replace(site, winds=winds, excesses=excesses)


def _set_thresholds(site: RegionThresholds, target_per_h: float) -> RegionThresholds:
    asked = needed(site.winds, site.excesses, site.watched_h, target_per_h)
    return replace(
        site,
        threshold=np.clip(np.clip(asked, 1, HIGHEST_UNTAUGHT) * site.taught, 1, HIGHEST).astype(np.float32),
    )


def verdict(site: RegionThresholds, box: Box, somebody: bool, target_per_h: float) -> RegionThresholds:
    """Let the classifier's word on `box` move the thresholds of the regions that it touches."""
    site = _forget(site)
    where = np.zeros(REGIONS, np.bool_)
    where[cells_of(box, REGIONS)] = True
    where &= site.since_s >= APART_S
    moved = np.clip(site.taught * np.float32(LOWER if somebody else RAISE), 1, HIGHEST)
    one = where.astype(np.float32)
    told = replace(
        site,
        taught=np.where(where, moved, site.taught).astype(np.float32),
        since_s=np.where(where, np.float32(0), site.since_s),
        nobody=site.nobody if somebody else site.nobody + one,
        somebody=site.somebody + one if somebody else site.somebody,
        # Somebody's transient is no wind, however short it is; nobody's is, however long.
        running=tuple(
            run._replace(visitor=somebody, lasted_s=run.lasted_s if somebody else 0.0)
            if where[run.row, run.col]
            else run
            for run in site.running
        ),
    )
    return _set_thresholds(told, target_per_h)


def region_of(box: Box) -> tuple[int, int]:
    """The region in which the centre of `box` lies."""
    x, y = box.centre
    row = min(REGIONS[0] - 1, max(0, int(y * REGIONS[0])))
    return row, min(REGIONS[1] - 1, max(0, int(x * REGIONS[1])))


def threshold_at(site: RegionThresholds, box: Box) -> float:
    """The threshold that `box` must pass."""
    return float(site.threshold[region_of(box)])
