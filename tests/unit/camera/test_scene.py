"""The camera at the simulated garden: the same frames always, the truth beside them, fast enough."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.families import FAMILIES, PRESETS, alder_row_afternoon, family
from dooryard.camera.garden.plan import GardenPlan
from dooryard.camera.garden.render import Painter
from dooryard.camera.garden.settings import Feeder, GardenSettings
from dooryard.camera.scene import SceneCamera
from dooryard.core.errors import CameraError

SMALL = GardenSettings(seed=3, width=160, height=120, duration_s=4.0, visits=())
AFTERNOON = alder_row_afternoon()
PLAN = GardenPlan(AFTERNOON)


def frames(camera: SceneCamera) -> list[np.ndarray]:
    camera.open()
    seen = []
    while True:
        try:
            seen.append(camera.read(1.0).large().copy())
        except EndOfFramesError:
            camera.close()
            return seen


def test_the_same_seed_gives_the_same_pixels():
    one, again = frames(SceneCamera(SMALL, frames=3)), frames(SceneCamera(SMALL, frames=3))
    other = frames(SceneCamera(replace(SMALL, seed=4), frames=3))
    assert len(one) == 3
    assert all(np.array_equal(a, b) for a, b in zip(one, again, strict=True))
    assert not any(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_going_on_after_a_time_draws_nothing_and_gives_the_same_pixels():
    whole = frames(SceneCamera(SMALL))
    camera = SceneCamera(SMALL)
    camera.open(after=camera.plan.wall(6))
    assert camera._colour is None  # nothing painted yet
    frame = camera.read(1.0)
    assert frame.number == 7
    assert np.array_equal(frame.large(), whole[7])


@pytest.mark.parametrize(("after_s", "first"), [(-5.0, 0), (0.0, 1), (0.19, 1), (0.2, 2), (3.6, 19)])
def test_the_first_frame_later_than_after(after_s, first):
    camera = SceneCamera(SMALL, luma_size=(80, 60))
    camera.open(after=SMALL.start + timedelta(seconds=after_s))
    assert camera.read(1.0).number == first


def test_after_the_end_there_is_nothing():
    camera = SceneCamera(SMALL)
    camera.open(after=SMALL.start + timedelta(hours=1))
    with pytest.raises(EndOfFramesError):
        camera.read(1.0)


def test_times_numbers_and_exposure():
    camera = SceneCamera(SMALL)
    camera.open()
    first, second = camera.read(1.0), camera.read(1.0)
    assert first.wall == SMALL.start
    assert first.wall.tzinfo is UTC
    assert second.wall - first.wall == timedelta(seconds=0.2)
    assert second.mono_s - first.mono_s == pytest.approx(0.2)
    assert (first.number, second.number) == (0, 1)
    assert first.exposure.gain == 1.0
    assert 1 / 1000 < first.exposure.exposure_s < 1 / 25


def test_luma_is_the_block_mean_of_the_large_picture():
    """ITU-R BT.601-7, section 2.5.1, on the mean of each block of 2 x 2."""
    camera = SceneCamera(SMALL, luma_size=(80, 60))
    camera.open()
    frame = camera.read(1.0)
    blocks = frame.large().reshape(60, 2, 80, 2, 3).mean(axis=(1, 3))
    assert frame.luma.astype(float) == pytest.approx(blocks @ [0.299, 0.587, 0.114], abs=1.5)


@pytest.mark.parametrize("kind", FAMILIES)
def test_every_kind_of_scene_can_be_drawn(kind):
    camera = SceneCamera(family(kind, 6, duration_s=20.0), direct_luma=True)
    camera.open(after=camera.plan.wall(50))
    first, second = camera.read(1.0).luma, camera.read(1.0).luma
    assert 25 < first.mean() < 230
    assert first.std() > 10
    assert not np.array_equal(first, second)


@pytest.mark.parametrize("kind", ["gale", "shaking pole", "snow", "dappled light"])
def test_direct_luma_shows_the_same_garden(kind):
    """Both ways agree but for noise and sub-pixel detail, so the means of 4 x 4 blocks agree well."""
    settings = family(kind, 6, duration_s=20.0, noise=0.0, visits_per_min=6.0, rain=0.0)
    whole, direct = SceneCamera(settings), SceneCamera(settings, direct_luma=True)
    after = whole.plan.wall(70)
    whole.open(after)
    direct.open(after)
    one, other = whole.read(1.0), direct.read(1.0)
    apart = np.abs((one.luma.astype(float) - other.luma).reshape(60, 4, 80, 4).mean(axis=(1, 3)))
    assert apart.mean() < 1.0
    assert np.quantile(apart, 0.99) < 6.0
    assert whole.truth == direct.truth
    assert other.large().shape == (480, 640, 3)


def test_direct_luma_needs_the_same_aspect():
    camera = SceneCamera(SMALL, luma_size=(100, 100), direct_luma=True)
    camera.open()
    with pytest.raises(ValueError, match="ratio"):
        camera.read(1.0)


@pytest.mark.parametrize("noise", [0.3, 1.0])
def test_noise_has_the_deviation_that_was_asked_for(noise):
    """Noise 1 is 4 grey levels in a colour plane at gain 1; a difference of frames has root 2 of it."""
    still = replace(
        SMALL, width=640, height=480, noise=noise, wind_m_s=0.0, gusts_per_min=0.0, clouds=0.0, dapple=0.0
    )
    painter = Painter(GardenPlan(still), colour=True)
    one, other = (painter.rgb(painter.plan.scene(number)).astype(float) for number in (3, 4))
    rows = slice(320, 470)  # lawn: far from clipping
    assert (one - other)[rows].std() == pytest.approx(4.0 * noise * 2**0.5, rel=0.1)


def test_rain_falls_again_in_each_frame():
    dry = replace(SMALL, wind_m_s=0.0, gusts_per_min=0.0, noise=0.0, clouds=0.0, dapple=0.0)
    wet = Painter(GardenPlan(replace(dry, rain=0.8)), colour=True)
    one, other = (wet.rgb(wet.plan.scene(number)).astype(float) for number in (3, 4))
    assert 0.002 < (np.abs(one - other).max(axis=2) > 8).mean() < 0.5
    calm = Painter(GardenPlan(dry), colour=True)
    one, other = (calm.rgb(calm.plan.scene(number)).astype(float) for number in (3, 4))
    assert np.abs(one - other).max() <= 1.0  # the sun goes down a little


def test_the_feeder_is_seen_to_swing():
    windy = replace(
        SMALL, feeder=Feeder.TUBE, wind_m_s=6.0, gusts_per_min=6.0, duration_s=60.0, foliage=0.0, noise=0.0
    )
    plan = GardenPlan(windy)
    angles = np.array([plan.scene(number).feeder_rad for number in range(300)])
    painter = Painter(plan, colour=True)
    left, right = (painter.rgb(plan.scene(int(at))).astype(int) for at in (angles.argmin(), angles.argmax()))
    assert np.degrees(angles.max() - angles.min()) > 10.0
    column = int(plan.layout.pivot[0] / 4)
    near = slice(max(0, column - 20), column + 20)
    assert (np.abs(left - right).max(axis=2) > 30)[10:75, near].mean() > 0.1


def test_not_open_or_not_read_is_said():
    camera = SceneCamera(SMALL)
    with pytest.raises(CameraError, match="not open"):
        camera.read(1.0)
    with pytest.raises(ValueError, match="no frame was read"):
        _ = camera.truth


def test_the_afternoon_at_alder_row_is_what_the_demonstration_needs():
    assert PRESETS["alder row afternoon"]() == AFTERNOON
    assert (AFTERNOON.width, AFTERNOON.height, AFTERNOON.frames_per_s) == (640, 480, 5.0)
    assert AFTERNOON.start == datetime(2026, 6, 14, 14, tzinfo=ZoneInfo("Europe/London"))
    assert (AFTERNOON.latitude_deg, AFTERNOON.longitude_deg) == (51.752, -1.258)
    assert AFTERNOON.duration_s >= 240.0
    assert len(PLAN.visits) >= 6
    assert len({visit.group for visit in PLAN.visits}) >= 3
    assert len(PLAN.gusts) >= 8
    assert all(visit.end_s < AFTERNOON.duration_s for visit in PLAN.visits)
    first, again = (visit for visit in PLAN.visits if visit.species == "grey squirrel")
    assert 0 < again.start_s - first.end_s < 240.0


def test_at_alder_row_gusts_blow_with_and_without_visitors():
    busy = [any(v.start_s <= gust.peak_s < v.end_s for v in PLAN.visits) for gust in PLAN.gusts]
    assert sum(busy) >= 3
    assert len(busy) - sum(busy) >= 8
    edges = [0.0] + [t for visit in PLAN.visits for t in (visit.start_s, visit.end_s)] + [270.0]
    longest_s = max(b - a for a, b in zip(edges[::2], edges[1::2], strict=True))
    assert longest_s >= 30.0
    swing = np.degrees([PLAN.scene(number).feeder_rad for number in range(AFTERNOON.frame_count)])
    assert swing.std() > 3.0


def test_visitors_at_alder_row_are_large_enough_to_be_told():
    for visit in PLAN.visits:
        middle = int((visit.settled_s + visit.leaving_s) / 2 * AFTERNOON.frames_per_s)
        (present,) = PLAN.scene(middle).present
        box = present.box
        assert max((box.x1 - box.x0) * 640, (box.y1 - box.y0) * 480) >= 90
        assert present.visible == 1.0
