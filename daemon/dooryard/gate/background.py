"""From one frame to a map of what is not as it was when empty, measured against the place's own deviation.

The idea: what the wind does it does again, and `modes` takes it out. Of the rest, a swinging feeder makes
the same cells lighter and darker in turn, so a *signed* mean over about a second cancels it, while a bird
that perches keeps its sign. What is left is compared with how far that mean usually strays (`spread`).

Running mean and variance per place: Stauffer & Grimson, "Adaptive background mixture models for
real-time tracking", CVPR 1999, reduced to one mode. A threshold that follows the place's own spread:
St-Charles et al., "SuBSENSE", IEEE Transactions on Image Processing 24(1), 2015.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dooryard.gate.blobs import Signs
from dooryard.gate.grid import (
    BLACK,
    DARK,
    WHITE,
    Map,
    Mask,
    box_mean,
    broad_mean,
    cell_means,
    clip,
    downsampled,
)
from dooryard.gate.modes import decomposition
from dooryard.gate.shake import steadied
from dooryard.gate.state import Behind, behind_of, widest_spread

if TYPE_CHECKING:
    from dooryard.core.records import Luma
    from dooryard.gate.settings import GateSettings
    from dooryard.gate.state import GateState

LIGHT_RADIUS = 12  # cells: light that changes over a wider area than this is taken out
BODY_RADIUS = 2  # cells: about the size of a small bird at a feeder
CLIP = 0.35  # log brightness: one cell's part in the local light is bounded
USUAL_DEVIATIONS = 2.0  # deviations: a mean that strays this far is still usual
CANDIDATE = 0.9  # cells whose change is at least this many times their usual spread
BACKGROUND_S = 0.7  # the background is brought up to date once in so long ...
YOUNG_S = 0.3  # ... and a view that has not been learned for `memory_s`, once in so long
CANDIDATE_RATE = 0.1  # candidates are learned this much slower


class View(NamedTuple):
    """One frame against the background. Maps are float32 (rows, cols)."""

    level: Map  # grey levels as seen
    repeated: bool  # the very same picture as the last frame
    gain: float  # log of the median brightness against the background
    shift: tuple[float, float]  # cells (right, down) by which the whole picture is moved
    local: Map  # log of the local light against the background
    raw: Map  # log of what is seen against what the background would be in this light
    whole: Map  # `raw` averaged over a body's size
    gust: float  # factor >= 1 on what is usual (see modes.py)
    change: Map  # `whole` without what the known wind explains
    mean: Map  # `change` averaged over about a second
    quick: Map
    deviation: Map
    usual: Map  # how far `mean` usually strays here
    ratio: Map  # |mean| / usual
    differ: int  # how many cells have a ratio above CANDIDATE, whatever the gust

    def signs(self, gust: float = 1.0) -> Signs:
        """-1 or 1 in cells that are darker or lighter than they usually stray, else 0.

        With the frame's `gust` as a factor: whatever the gust.
        """
        signs: Signs = (self.ratio > np.float32(CANDIDATE / gust)).view(np.int8)
        np.negative(signs, out=signs, where=self.mean < 0)
        return signs


def rate(dt_s: float, tau_s: float, learned_s: float = math.inf) -> float:
    """Weight of a new value in a running mean with time constant `tau_s`.

    Until a view has been learned for `tau_s` the plain mean of all values so far is kept instead.
    """
    return max(1 - math.exp(-dt_s / tau_s), dt_s / (learned_s + dt_s))


def gain_between(level: Map, behind: Behind) -> float:
    """Log of the median ratio of the two, over every second cell of every second row."""
    flat = (level[::2, ::2] + np.float32(DARK)).ravel()
    flat /= behind.downsampled
    middle = flat.size // 2
    flat.partition(middle)
    return math.log(float(flat[middle]))


def look(state: GateState, luma: Luma, dt_s: float, settings: GateSettings) -> View:
    """Measure `luma`, shape (H, W) uint8, taken `dt_s` seconds after the last frame."""
    level = cell_means(luma)
    repeated = level.tobytes() == state.level.tobytes()
    gain = gain_between(level, state.behind)
    raw, local = against(level, state.background, state.behind, gain)
    raw, shift = steadied(raw, state.background, state.behind.slopes)
    whole = box_mean(raw, BODY_RADIUS)
    known, gust = decomposition(state.modes, whole, state.widest_spread, state.deviation, dt_s)
    change = whole if known is None else whole - known
    mean = toward(state.mean, change, rate(dt_s, settings.smooth_s, state.learned_s))
    quick, deviation = _flicker(state, change, dt_s, settings, repeated=repeated)
    usual = usual_spread(state.widest_spread, settings.least_contrast)
    if gust > 1:
        usual *= np.float32(gust)
    ratio = np.abs(mean)
    ratio /= usual
    differ = int(np.count_nonzero(ratio > np.float32(CANDIDATE / gust)))
    seen = (level, repeated, gain, shift, local, raw, whole, gust, change)
    return View(*seen, mean, quick, deviation, usual, ratio, differ)


def against(level: Map, background: Map, behind: Behind, gain: float) -> tuple[Map, Map]:
    """Log of `level` against `background` in the present light, and the log of the local light.

    What the background would look like is worked out in grey levels, so that black stays black and what
    is clipped at white stays clipped. Where the background itself is clipped, it may be any brighter.
    """
    lit = background * np.float32(math.exp(gain))
    np.minimum(lit, np.float32(WHITE), out=lit)
    bright = lit + np.float32(BLACK)
    raw = np.minimum(level, np.float32(WHITE))
    raw += np.float32(BLACK)
    raw /= bright
    np.log(raw, out=raw)
    if behind.clipped is not None:
        np.minimum(raw, 0, out=raw, where=behind.clipped)
    local = broad_mean(clip(downsampled(raw), CLIP), LIGHT_RADIUS, raw.shape)
    lit /= bright  # the darker, the less of the light is seen
    lit *= local
    raw -= lit
    return raw, local


def toward(old: Map, new: Map, weight: float | Map) -> Map:
    """A new map on the way from `old` to `new`; `weight` 1 is all the way."""
    out = new - old
    out *= weight
    out += old
    return out


def usual_spread(widest_spread: Map, least_contrast: float) -> Map:
    """How far the signed mean may stray at each cell before that means anything, in log brightness."""
    usual = widest_spread * np.float32(USUAL_DEVIATIONS)
    usual += np.float32(least_contrast)
    return usual


def _flicker(
    state: GateState, change: Map, dt_s: float, settings: GateSettings, *, repeated: bool
) -> tuple[Map, Map]:
    """The quick mean and the deviation around it; a repeated frame says nothing about deviation."""
    off = change - state.quick
    quick = off * np.float32(rate(dt_s, settings.quick_s))
    quick += state.quick
    if repeated:
        return quick, state.deviation
    np.abs(off, out=off)
    return quick, toward(state.deviation, off, rate(dt_s, settings.deviation_s, state.learned_s))


class Learned(NamedTuple):
    """What a frame makes of the empty view: fields of `GateState`."""

    background: Map
    spread: Map
    widest_spread: Map
    behind: Behind
    unlearned_s: float


def learned(state: GateState, view: View, keep: Mask | None, dt_s: float, settings: GateSettings) -> Learned:
    """The empty view after this frame; cells in `keep` stay as they were."""
    dt_s += state.unlearned_s
    if dt_s < (YOUNG_S if state.learned_s < settings.memory_s else BACKGROUND_S):
        return Learned(state.background, state.spread, state.widest_spread, state.behind, dt_s)
    weight = np.full_like(view.ratio, rate(dt_s, settings.memory_s, state.learned_s))
    if view.differ and state.learned_s >= settings.settle_s:
        np.multiply(weight, np.float32(CANDIDATE_RATE), out=weight, where=view.ratio > np.float32(CANDIDATE))
    if keep is not None:
        weight[keep] = 0
    lit = view.local + np.float32(view.gain)
    even = view.level * np.exp(np.negative(lit, out=lit), out=lit)
    background = toward(state.background, even, weight)
    square = state.spread * np.float32(9)
    square += np.float32(1e-4)
    np.minimum(square, view.mean * view.mean, out=square)
    spread = toward(state.spread, square, weight)
    return Learned(background, spread, widest_spread(spread), behind_of(background), 0.0)


def deviation(state: GateState, view: View, keep: Mask | None) -> Map:
    """Unrest after this frame; cells in `keep` stay as they were."""
    return view.deviation if keep is None else np.where(keep, state.deviation, view.deviation)
