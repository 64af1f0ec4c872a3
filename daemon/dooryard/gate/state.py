"""What the gate remembers from frame to frame: one frozen value, arrays never written to in place."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dooryard.gate.grid import DARK, WHITE, Map, Mask, cell_means, neighbour_max
from dooryard.gate.modes import Modes, no_modes
from dooryard.gate.region_thresholds import RegionThresholds, new_thresholds
from dooryard.gate.shake import Slopes, slopes_of
from dooryard.gate.tally import GateTally

if TYPE_CHECKING:
    from dooryard.core.records import Luma

FIRST_SPREAD = 0.05**2  # log brightness squared; what a place is trusted to vary by before it is known


class Behind(NamedTuple):
    """What every frame is compared with, worked out whenever the background is brought up to date."""

    downsampled: Map  # (number,): every second cell of every second row, plus DARK
    clipped: Mask | None  # (rows, cols): cells that may be any brighter; None: no cell
    slopes: Slopes


def behind_of(background: Map) -> Behind:
    """Of `background`, grey levels, (rows, cols)."""
    clipped = background >= np.float32(WHITE)
    downsampled = (background[::2, ::2] + np.float32(DARK)).ravel()
    return Behind(downsampled, clipped if clipped.any() else None, slopes_of(background))


@dataclass(frozen=True, slots=True, eq=False)
class GateState:
    """The gate's memory of one view. All maps are float32 of shape (rows, cols).

    Treat every array as read-only: an older state that was kept must go on to give the same results.
    """

    luma_shape: tuple[int, int]  # (H, W) in pixels
    last_s: float  # monotonic time of the last frame
    learned_s: float  # for how long the present view has been learned
    ready: bool  # learned for long enough to let anything through
    level: Map  # the last frame's cells in grey levels, to know a repeated frame
    gain: float  # the last frame's median log brightness against the background
    background: Map  # grey levels when nobody is there
    mean: Map  # signed difference from the background, averaged over about a second
    quick: Map  # the same over some tenths of a second
    spread: Map  # slow mean of `mean` squared
    widest_spread: Map  # its root, the largest of each cell and its neighbours: worked out, not saved
    behind: Behind  # what is used of the background again and again: worked out, not saved
    deviation: Map  # mean absolute deviation from `quick`
    evidence: Map  # seconds times log score, summed while a change lasts (see evidence.py)
    guarded_s: Map  # for how long a cell's background has been kept under a standing visitor
    hold_s: Map  # for how long it will be kept if nobody is seen there again
    longest_hold_s: float  # the longest of these: worked out, not saved
    modes: Modes  # the patterns along which the wind moves this view
    unlearned_s: float = 0.0  # time since the background was last brought up to date
    scene_change_s: float = 0.0  # for how long most of the view has looked different
    unsteady_s: float = 0.0  # how long light that jumped still holds everything back
    news: str = ""  # what happened to the view with the last frame, in words; mostly empty
    tally: GateTally = field(default_factory=GateTally)
    site: RegionThresholds = field(default_factory=new_thresholds)


def widest_spread(spread: Map) -> Map:
    """How far the signed mean strays at each cell or beside it, in log brightness."""
    return neighbour_max(np.sqrt(spread))


def fresh(
    luma: Luma, mono_s: float, before: GateState | None = None, news: str = "a new view: learning it"
) -> GateState:
    """A state that has seen `luma`, shape (H, W) uint8, and nothing else.

    What the site has taught and the counts are taken over from `before`; so is the way in which the wind
    moves it, since a gap changes neither the place nor, on the whole, the view.
    """
    after = renewed((luma.shape[0], luma.shape[1]), cell_means(luma), mono_s, before, news)
    if before is None or before.luma_shape != after.luma_shape:
        return after
    return replace(after, modes=before.modes)


def renewed(
    luma_shape: tuple[int, int], level: Map, mono_s: float, before: GateState | None, news: str
) -> GateState:
    """The same for another view, from the cells' mean grey levels."""
    nothing = np.zeros_like(level)
    spread = np.full_like(nothing, FIRST_SPREAD)
    return GateState(
        luma_shape=luma_shape,
        last_s=mono_s,
        learned_s=0.0,
        ready=False,
        level=level,
        gain=0.0,
        background=level,
        mean=nothing,
        quick=nothing,
        spread=spread,
        widest_spread=widest_spread(spread),
        behind=behind_of(level),
        deviation=nothing,
        evidence=nothing,
        guarded_s=nothing,
        hold_s=nothing,
        longest_hold_s=0.0,
        modes=no_modes((level.shape[0], level.shape[1])),
        news=news,
        tally=before.tally if before else GateTally(),
        site=before.site if before else new_thresholds(),
    )
