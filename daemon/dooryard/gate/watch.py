"""One frame in, what is worth a look out: the gate's own flow."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dooryard.gate.background import learned, look
from dooryard.gate.grid import Map, Mask, mask_of, neighbour_max
from dooryard.gate.judge import Judged, judge
from dooryard.gate.site import pass_time
from dooryard.gate.state import GateState, fresh
from dooryard.gate.tally import count
from dooryard.records import Box, Motion

if TYPE_CHECKING:
    from dooryard.gate.settings import GateSettings
    from dooryard.records import Luma

JUMP = 0.10  # change of log brightness from one frame to the next: all light at once
JUMP_S = 2.0
JUST_SEEN_S = np.float32(1e-6)


def watch(
    state: GateState | None,
    luma: Luma,
    mono_s: float,
    settings: GateSettings,
    occupied: tuple[Box, ...] = (),
) -> tuple[GateState, tuple[Motion, ...]]:
    """Look at one frame.

    Parameters
    ----------
    state : what an earlier call gave, or None for a first frame. It is not changed.
    luma : (H, W) uint8, between 120x160 and 480x640.
    mono_s : monotonic time of the frame in seconds. A frame no newer than the last is passed over.
    occupied : where the visits stage says that somebody is. The background there is kept as it was.

    Returns
    -------
    The new state, and what moved or newly stands there: `held` is None for what is worth a look.
    """
    if state is None or luma.shape != state.luma_shape:
        return fresh(luma, mono_s, state), ()
    dt_s = mono_s - state.last_s
    if dt_s < 0 or dt_s > settings.gap_s:
        return fresh(luma, mono_s, state, "a gap in the frames: learning the view anew"), ()
    if dt_s == 0:
        return state, ()
    view = look(state, luma, dt_s, settings)
    judged = judge(state, view, settings, occupied, dt_s)
    keep, guarded = _guarded(state, occupied, dt_s, settings)
    background, spread, unrest = learned(state, view, keep, dt_s, settings)
    jumped = abs(view.gain - state.gain) > JUMP
    motions = tuple(one.motion for one in judged)
    after = replace(
        state,
        last_s=mono_s,
        learned_s=state.learned_s + dt_s,
        ready=state.learned_s + dt_s >= settings.settle_s,
        sums=view.sums,
        gain=view.gain,
        background=background,
        mean=view.mean,
        quick=view.quick,
        spread=spread,
        unrest=unrest,
        lasting_s=_lasting(state, judged, dt_s),
        guarded_s=guarded,
        unsteady_s=JUMP_S if jumped else max(0.0, state.unsteady_s - dt_s),
        news="",
        site=pass_time(state.site, dt_s),
        tally=count(state.tally, (motion.held for motion in motions), dt_s),
    )
    return after, motions


def _lasting(state: GateState, judged: list[Judged], dt_s: float) -> Map:
    """For how long each cell has been part of a change that is strong enough."""
    lasting = np.zeros_like(state.lasting_s)
    if not judged:
        return lasting
    before = neighbour_max(state.lasting_s).ravel()
    for one in judged:
        if one.motion.score >= 1:
            age = before[one.blob.cells].max()
            lasting.ravel()[one.blob.cells] = age + dt_s if age > 0 else JUST_SEEN_S
    return lasting


def _guarded(
    state: GateState, occupied: tuple[Box, ...], dt_s: float, settings: GateSettings
) -> tuple[Mask, Map]:
    """Cells whose background is kept, and for how long each has been kept so far."""
    there = mask_of(occupied, state.mean.shape, margin=1)
    guarded = np.where(there, state.guarded_s + np.float32(dt_s), np.float32(0))
    return there & (guarded < settings.guard_s), guarded
