"""What the simulated garden says is in the picture, against what was drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.camera.garden.families import FAMILIES, family
from dooryard.camera.garden.plan import GardenPlan
from dooryard.camera.garden.poses import Activity
from dooryard.camera.garden.render import Painter
from dooryard.camera.garden.settings import Feeder, GardenSettings, RequestedVisit
from dooryard.camera.garden.species import SPECIES

SHAKEN = GardenSettings(
    seed=12,
    duration_s=24.0,
    wind_m_s=6.0,
    gusts_per_min=8.0,
    camera_shake_px=2.5,
    noise=0.0,
    foliage=0.0,
    dapple=0.0,
    clouds=0.0,
    feeder=Feeder.TRAY,
)


def drawn_box(painter: Painter, number: int) -> tuple[np.ndarray, np.ndarray]:
    """Corners, in pixels, of what the visitors change in frame `number`, ground shadow left out."""
    scene = painter.plan.scene(number)
    with_them = painter.rgb(scene).astype(int)
    without = painter.rgb(replace(scene, poses=(), present=())).astype(int)
    changed = np.abs(with_them - without).max(axis=2) > 24
    rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
    return np.array([columns[0], rows[0]]), np.array([columns[-1] + 1, rows[-1] + 1])


def test_boxes_fit_what_is_drawn_and_follow_the_shake():
    request = RequestedVisit("shore lark", 2.0, 18.0, on_feeder=True, place=1)
    plan = GardenPlan(replace(SHAKEN, visits=(request,)))
    painter = Painter(plan, colour=True)
    shakes = []
    for number in range(20, 95, 5):
        scene = plan.scene(number)
        (present,) = scene.present
        assert present.state is Activity.PERCHED
        low, high = drawn_box(painter, number)
        box = np.array(present.box) * (640, 480, 640, 480)
        assert box == pytest.approx(np.concatenate([low, high]), abs=4.0)
        shakes.append(scene.shake_px[0])
    assert max(shakes) - min(shakes) > 6.0  # else nothing was shown about shake


def test_a_box_moves_exactly_with_the_shake():
    request = RequestedVisit("mallard", 0.0, 20.0, place=0.5)
    shaken = GardenPlan(replace(SHAKEN, visits=(request,)))
    still = GardenPlan(replace(SHAKEN, camera_shake_px=0.0, visits=(request,)))
    for number in range(40, 90, 7):
        here, there = shaken.scene(number), still.scene(number)
        moved = (here.present[0].box.x0 - there.present[0].box.x0) * 640
        assert moved == pytest.approx(here.shake_px[0], abs=1e-6)


def test_the_visible_share_grows_as_it_walks_in():
    plan = GardenPlan(replace(SHAKEN, camera_shake_px=0.0, visits=(RequestedVisit("hen", 0.0, 10.0),)))
    shares = [scene.present[0].visible if scene.present else 0.0 for scene in map(plan.scene, range(20))]
    assert shares[0] < 0.1
    assert shares[-1] == 1.0
    assert shares == sorted(shares)


def test_states_follow_each_other():
    plan = GardenPlan(replace(SHAKEN, visits=(RequestedVisit("pigeon", 2.0, 8.0),)))
    states = [scene.present[0].state for scene in map(plan.scene, range(plan.settings.frame_count))
              if scene.present]  # fmt: skip
    order = list(dict.fromkeys(states))
    assert order == [Activity.ARRIVING, Activity.ON_GROUND, Activity.LEAVING]


@settings(max_examples=25, deadline=None)
@given(
    kind=st.sampled_from(FAMILIES),
    seed=st.integers(0, 2**31),
    rate=st.floats(0.5, 6.0),
)
def test_drawn_visits_do_not_overlap_and_are_told_while_they_last(kind, seed, rate):
    plan = GardenPlan(family(kind, seed, duration_s=90.0, visits_per_min=rate))
    for earlier, later in zip(plan.visits[:-1], plan.visits[1:], strict=True):
        assert later.start_s >= earlier.end_s
    for visit in plan.visits:
        assert visit.start_s < visit.settled_s < visit.leaving_s < visit.end_s
        assert visit.group == SPECIES[visit.species].group
        middle = int((visit.settled_s + visit.leaving_s) / 2 * plan.settings.frames_per_s)
        if middle < plan.settings.frame_count:
            (present,) = plan.scene(middle).present
            assert present.visit == visit.number
            assert 0.0 <= present.box.x0 < present.box.x1 <= 1.0
            assert 0.0 <= present.box.y0 < present.box.y1 <= 1.0
            assert present.visible > 0.9


def test_the_plan_is_the_same_each_time_and_differs_by_seed():
    one, again, other = (GardenPlan(family("breeze", seed, visits_per_min=3.0)) for seed in (4, 4, 5))
    assert one.visits == again.visits
    assert one.layout == again.layout
    assert one.gusts == again.gusts
    assert one.layout != other.layout
    assert one.gusts != other.gusts


def test_a_bird_cannot_perch_where_there_is_no_feeder():
    request = RequestedVisit("blackbird", 1.0, 5.0, on_feeder=True)
    with pytest.raises(ValueError, match="cannot perch"):
        GardenPlan(GardenSettings(feeder=Feeder.NONE, visits=(request,)))


@pytest.mark.parametrize("kind", FAMILIES)
def test_layouts_of_a_family_vary_with_the_seed(kind):
    layouts = {GardenPlan(family(kind, seed, duration_s=5.0)).layout.pivot for seed in range(4)}
    assert len(layouts) == 4


def test_an_unknown_family_is_named():
    with pytest.raises(ValueError, match="no kind of scene 'storm'"):
        family("storm", 1)
