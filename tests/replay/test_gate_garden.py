"""The gate on gusty minutes of the simulated garden: nobody's pictures, somebody's visits."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dooryard.core.records import RejectReason
from dooryard.gate import GateSettings, watch
from dooryard.gate.tally import totals
from gate_bench.garden_clips import garden_clip
from gate_bench.measure import count


@pytest.mark.parametrize(
    ("kind", "seed"), [("breeze", 31), ("feeder on a hook", 32), ("rain", 33), ("cloud", 34)]
)
def test_gusts_make_no_pictures_and_visits_are_seen(kind, seed):
    clip = replace(garden_clip(kind, kind, "", seed, 4.0, 1.2), warm_s=20.0)
    state, fired = None, []
    for number, luma in enumerate(clip.frames()):
        state, motions = watch(state, luma, number / clip.frames_per_s, GateSettings())
        fired.append([motion.box for motion in motions if motion.reject_reason is None])
    got = count(clip, fired)
    seen, visits = got.recall()
    assert got.empty_h > 0.02
    assert got.false == 0
    assert visits >= 1
    assert seen == visits
    assert got.late_s() <= 1.5
    assert totals(state.tally)[RejectReason.LEARNING] <= 3
