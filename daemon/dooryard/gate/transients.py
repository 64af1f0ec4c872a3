"""Short transients of the wind, told apart from visitors without anybody's help: by how long they last.

A gust's transient comes and goes within a few seconds; a visitor worth a picture stays, and comes and leaves
through the picture with short transients of its own. So a short transient counts as wind only if no visitor
was there for some seconds before and after it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

SHORT_S = 5.0  # what lasts longer may be a visitor
QUIET_S = 1.5  # a transient is over after so long without it
VISITOR_S = 10.0  # so long before and after a visitor nothing counts as wind
SMOOTH_S = 0.5
MOST_OPEN = 24


class Transient(NamedTuple):
    """Something that changed in this frame, let through or not."""

    row: int  # region
    col: int
    score: float  # against a calm place's threshold
    visitor: bool  # let through, or somebody is known to be there


class Running(NamedTuple):
    """A transient over time."""

    row: int
    col: int
    peak: float  # of the score, smoothed over SMOOTH_S as the evidence for a capture is
    level: float  # the smoothed score now
    lasted_s: float
    quiet_s: float  # since it was last seen
    visitor: bool


def follow(
    running: tuple[Running, ...], transients: list[Transient], dt_s: float
) -> tuple[tuple[Running, ...], list[Running], bool]:
    """Let `dt_s` pass: the transients that run on, those that turn out to be wind, and is a visitor there?"""
    aged = [one._replace(quiet_s=one.quiet_s + dt_s) for one in running]
    for transient in transients:
        at = next((i for i, one in enumerate(aged) if _joins(one, transient, dt_s)), None)
        if at is None:
            aged.append(Running(transient.row, transient.col, 0.0, 0.0, 0.0, 0.0, transient.visitor))
            at = len(aged) - 1
        one = aged[at]
        level = one.level + (transient.score - one.level) * (1 - math.exp(-(one.quiet_s or dt_s) / SMOOTH_S))
        aged[at] = Running(
            transient.row,
            transient.col,
            max(one.peak, level),
            level,
            one.lasted_s + one.quiet_s,
            0.0,
            one.visitor or transient.visitor,
        )
    here = any(one.visitor and one.lasted_s >= SHORT_S for one in aged)
    if here:
        aged = [one for one in aged if one.visitor or one.quiet_s <= QUIET_S]
    wind = [one for one in aged if one.quiet_s > VISITOR_S and one.lasted_s < SHORT_S]
    left = [one for one in aged if one.quiet_s <= VISITOR_S]
    return tuple(left[-MOST_OPEN:]), wind, here


def _joins(one: Running, transient: Transient, dt_s: float) -> bool:
    """Is `transient` the running one, at the same place or in a region beside it?"""
    fresh = one.quiet_s <= max(QUIET_S, 2 * dt_s)
    return fresh and abs(one.row - transient.row) <= 1 and abs(one.col - transient.col) <= 1
