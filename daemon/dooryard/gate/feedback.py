"""What the rest of the program tells the gate, and asks it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dooryard.gate.background import usual_spread
from dooryard.gate.grid import cells_of, neighbour_max
from dooryard.gate.region_thresholds import verdict
from dooryard.gate.state import behind_of, widest_spread

if TYPE_CHECKING:
    from dooryard.core.records import Box
    from dooryard.gate.settings import GateSettings
    from dooryard.gate.state import GateState

TAKE_IN = np.float32(0.5)  # how much of what nobody stands behind becomes background at once
MOST_SPREAD = np.float32(0.3**2)  # a wrong verdict must not blind the place for long
BACK_RATIO = 0.9  # below this many times its usual spread a cell is as it was
BACK_PART = 0.1  # of the box's cells may still differ


def learn(state: GateState, box: Box, somebody: bool, mono_s: float, settings: GateSettings) -> GateState:
    """Take the classifier's verdict on `box`.

    "Nobody": what is seen there becomes part of the empty view, by half at each verdict, and the threshold of
    its regions goes up. "Somebody": the threshold of its regions comes down a little. `mono_s` is the time of
    the frame that was judged; a verdict on a frame from before the view was learned is ignored.
    """
    if mono_s < state.last_s - state.learned_s or mono_s < state.last_s - settings.gap_s:
        return state
    site = verdict(state.site, box, somebody, settings.target_false_per_hour)
    if somebody:
        return replace(state, site=site)
    where = cells_of(box, state.mean.shape)
    background, spread = state.background.copy(), state.spread.copy()
    background[where] *= np.exp(TAKE_IN * state.mean[where])
    spread[where] = np.maximum(spread[where], np.minimum(state.mean[where] ** 2, MOST_SPREAD))
    mean, quick = state.mean.copy(), state.quick.copy()
    mean[where] *= 1 - TAKE_IN
    quick[where] *= 1 - TAKE_IN
    return replace(
        state,
        site=site,
        background=background,
        spread=spread,
        widest_spread=widest_spread(spread),
        behind=behind_of(background),
        mean=mean,
        quick=quick,
    )


def changed_back(state: GateState, box: Box, settings: GateSettings | None = None) -> bool | None:
    """Has `box` changed back to what it was when empty? None while the view is still being learned."""
    if not state.ready:
        return None
    where = cells_of(box, state.quick.shape)
    contrast = settings.least_contrast if settings else 0.02
    # `quick` follows within tenths of a second, so it strays by the deviation as well.
    usual = usual_spread(state.widest_spread, contrast) + neighbour_max(state.deviation)
    ratio = np.abs(state.quick[where]) / usual[where]
    return float(np.mean(ratio > BACK_RATIO)) <= BACK_PART
