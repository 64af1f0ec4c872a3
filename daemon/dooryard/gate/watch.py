"""One frame in, what is worth a look out: the gate's own flow."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dooryard.core.records import Box, Motion, RejectReason
from dooryard.gate.background import View, deviation, learned, look
from dooryard.gate.evidence import spread_out
from dooryard.gate.grid import Map, Mask, mask_of
from dooryard.gate.modes import learned as modes_learned
from dooryard.gate.region_thresholds import observe, region_of, threshold_at
from dooryard.gate.scene_change import NEWS, SCENE_CHANGE_S, has_changed
from dooryard.gate.score import ScoredBlob, score_blobs
from dooryard.gate.state import GateState, fresh, renewed
from dooryard.gate.tally import count
from dooryard.gate.transients import Transient

if TYPE_CHECKING:
    from dooryard.core.records import Luma
    from dooryard.gate.settings import GateSettings

JUMP = 0.10  # change of log brightness from one frame to the next: all light at once
JUMP_S = 2.0
HOLD_S = 4.0  # the background is kept for so long after a visitor was last seen there
_SITE_LEARNS = (None, RejectReason.SWAY, RejectReason.WEAK, RejectReason.BRIEF)


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
    The new state, and what moved or newly stands there: `reject_reason` is None for what is worth a look.
    """
    if state is None or luma.shape != state.luma_shape:
        return fresh(luma, mono_s, state), ()
    dt_s = mono_s - state.last_s
    if dt_s < 0 or dt_s > settings.gap_s:
        return fresh(luma, mono_s, state, "a gap in the frames: relearning the view"), ()
    if dt_s == 0:
        return state, ()
    return decide(state, look(state, luma, dt_s, settings), mono_s, settings, occupied)


def decide(
    state: GateState,
    view: View,
    mono_s: float,
    settings: GateSettings,
    occupied: tuple[Box, ...] = (),
) -> tuple[GateState, tuple[Motion, ...]]:
    """What follows from `view`, a frame as `look` sees it. Parameters and results as of `watch`."""
    dt_s = mono_s - state.last_s
    scene_change_s = (
        state.scene_change_s + dt_s
        if state.ready and has_changed(view)
        else max(0.0, state.scene_change_s - dt_s)
    )
    if scene_change_s >= SCENE_CHANGE_S:
        return renewed(state.luma_shape, view.level, mono_s, state, NEWS), ()
    scored = score_blobs(state, view, settings, occupied, dt_s)
    guarded = _guarded(state, scored, occupied, dt_s, settings)
    jumped = abs(view.gain - state.gain) > JUMP
    quiet = not (jumped or guarded.keep is not None or state.unsteady_s > 0 or state.scene_change_s > 0)
    motions = tuple(one.motion for one in scored)
    empty = learned(state, view, guarded.keep, dt_s, settings)
    learned_s = state.learned_s + dt_s
    after = GateState(
        luma_shape=state.luma_shape,
        last_s=mono_s,
        learned_s=learned_s,
        ready=learned_s >= settings.settle_s,
        level=view.level,
        gain=view.gain,
        background=empty.background,
        spread=empty.spread,
        widest_spread=empty.widest_spread,
        behind=empty.behind,
        unlearned_s=empty.unlearned_s,
        mean=view.mean,
        quick=view.quick,
        deviation=deviation(state, view, guarded.keep),
        evidence=spread_out(state.evidence, [(one.blob, one.evidence) for one in scored]),
        modes=modes_learned(state.modes, view.whole, view.gust, dt_s, quiet=quiet),
        guarded_s=guarded.guarded_s,
        hold_s=guarded.hold_s,
        longest_hold_s=guarded.longest_hold_s,
        scene_change_s=scene_change_s,
        unsteady_s=JUMP_S if jumped else max(0.0, state.unsteady_s - dt_s),
        site=observe(state.site, _transients(state, scored, occupied), dt_s, settings.target_false_per_hour),
        tally=count(state.tally, [motion.reject_reason for motion in motions], dt_s),
    )
    return after, motions


def _transients(state: GateState, scored: list[ScoredBlob], occupied: tuple[Box, ...]) -> list[Transient]:
    """What the site learns from: changes at a time when the view is known and the light is steady."""
    return [
        Transient(
            *region_of(one.motion.box),
            one.motion.score * threshold_at(state.site, one.motion.box),
            one.motion.reject_reason is None or any(one.motion.box.overlap(box) > 0 for box in occupied),
        )
        for one in scored
        if one.motion.reject_reason in _SITE_LEARNS
    ]


class Guarded(NamedTuple):
    """Cells whose background is kept, and three fields of `GateState`."""

    keep: Mask | None  # None: no cell
    guarded_s: Map
    hold_s: Map
    longest_hold_s: float


def _guarded(
    state: GateState,
    scored: list[ScoredBlob],
    occupied: tuple[Box, ...],
    dt_s: float,
    settings: GateSettings,
) -> Guarded:
    """Which cells' background is kept.

    Under a known visitor it is kept for long; under what was let through, until the visits stage has had
    time to say who it is. Both are held for a while: a visitor that pecks moves from one cell to the next.
    """
    through = tuple(one.motion.box for one in scored if one.motion.reject_reason is None)
    if not occupied and not through and state.longest_hold_s <= dt_s:
        none = np.zeros_like(state.hold_s) if state.longest_hold_s else state.hold_s
        return Guarded(None, none, none, 0.0)
    shape = state.mean.shape
    known = mask_of(occupied, shape, margin=1)
    hold = np.maximum(state.hold_s - np.float32(dt_s), 0)
    hold[known | mask_of(through, shape, margin=1)] = HOLD_S
    guarded = np.where(hold > 0, state.guarded_s + np.float32(dt_s), np.float32(0))
    limit = np.where(known, np.float32(settings.guard_s), np.float32(settings.unknown_guard_s))
    keep = (hold > 0) & (guarded < limit)
    return Guarded(keep if keep.any() else None, guarded, hold, float(hold.max()))
