"""The simulated garden's air, swing, light: against laws and an outside library."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astral import Observer
from astral.sun import elevation
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.camera.garden import daylight
from dooryard.camera.garden.plan import GardenPlan
from dooryard.camera.garden.settings import STEP_S, Feeder, GardenSettings, RequestedVisit
from dooryard.camera.garden.sway import Push, landing_push, swing_feeder
from dooryard.camera.garden.weather import Weather, draw_weather, wandering


def still_air(seconds: float) -> Weather:
    flat = np.zeros(int(seconds / STEP_S))
    return Weather((), flat, flat, flat + 1.0, flat)


def period_s(angle: np.ndarray) -> float:
    """Mean time between upward crossings of zero, between samples by a straight line."""
    at = np.flatnonzero((angle[:-1] < 0) & (angle[1:] >= 0))
    exact = at + angle[at] / (angle[at] - angle[at + 1])
    return float(np.diff(exact).mean()) * STEP_S


@pytest.mark.parametrize("length_m", [0.2, 0.4, 0.8])
def test_a_small_swing_has_the_period_of_a_simple_pendulum(length_m):
    """T = 2 pi sqrt(L / g): Landau & Lifshitz, Mechanics, section 11 and any textbook."""
    angle = swing_feeder(still_air(40), length_m, [Push(0.1, 0.05)], damping=0.0)
    assert period_s(angle) == pytest.approx(2 * math.pi * math.sqrt(length_m / 9.81), rel=0.01)


def test_a_wide_swing_is_slower_by_the_textbook_series():
    """T = T0 (1 + a^2/16 + ...): Landau & Lifshitz, Mechanics, section 11, problem 1."""
    angle = swing_feeder(still_air(60), 0.4, [Push(0.1, 4.5)], damping=0.0)
    peak = angle.max()
    assert peak > 0.8
    small = 2 * math.pi * math.sqrt(0.4 / 9.81)
    assert period_s(angle) / small == pytest.approx(1 + peak**2 / 16 + 11 * peak**4 / 3072, rel=0.01)


def test_damping_takes_the_swing_away_at_its_rate():
    """Amplitude falls as exp(-zeta w0 t): the damped oscillator of any textbook."""
    angle = swing_feeder(still_air(30), 0.5, [Push(0.1, 0.2)], damping=0.03)
    rate = 0.03 * math.sqrt(9.81 / 0.5)
    early, late = np.abs(angle[:200]).max(), np.abs(angle[1000:1200]).max()
    assert late / early == pytest.approx(math.exp(-rate * 20.0), rel=0.15)


def test_a_landing_keeps_momentum():
    assert landing_push(0.1, 1.5, 0.5) == pytest.approx(0.1 * 1.5 / ((0.9 + 0.1) * 0.5))


def test_a_landing_bird_sets_the_feeder_swinging():
    request = RequestedVisit("blackbird", 5.0, 10.0, on_feeder=True, place=0)
    calm = GardenSettings(
        wind_m_s=0.0, gusts_per_min=0.0, feeder=Feeder.TRAY, duration_s=30.0, visits=(request,)
    )
    plan = GardenPlan(calm)
    settled = int(plan.visits[0].settled_s / STEP_S)
    assert np.abs(plan.sway.feeder_rad[: settled - 1]).max() < 1e-6
    assert np.degrees(np.abs(plan.sway.feeder_rad[settled:])).max() > 1.0


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.4, 4.0]))
def test_wandering_noise_has_unit_variance_and_its_memory(seed, memory_s):
    """An Ornstein-Uhlenbeck process: variance 1, correlation exp(-t / memory); Gillespie 1996."""
    values = wandering(np.random.default_rng(seed), 100_000, memory_s)
    lag = round(memory_s / STEP_S)
    correlation = float((values[:-lag] * values[lag:]).mean() / values.var())
    assert values.std() == pytest.approx(1.0, abs=0.2)
    assert correlation == pytest.approx(math.exp(-1), abs=0.15)


def test_gusts_come_at_their_rate_and_rise_above_the_wind():
    windy = GardenSettings(wind_m_s=4.0, gusts_per_min=4.0, gust_m_s=6.0, duration_s=3600.0)
    weather = draw_weather(windy, np.random.SeedSequence(3))
    assert len(weather.gusts) == pytest.approx(240, rel=0.15)
    for gust in weather.gusts:
        assert gust.start_s < gust.peak_s < gust.end_s
    peaks = [weather.wind_m_s[int(g.peak_s / STEP_S)] for g in weather.gusts if g.peak_s < 3599]
    assert np.mean(peaks) > 2.0 * 4.0
    assert (weather.wind_m_s >= 0).all()


def test_wind_does_not_depend_on_the_picture_or_its_rate():
    base = GardenSettings(seed=8, duration_s=20.0, visits=())
    one = GardenPlan(base)
    other = GardenPlan(replace(base, width=320, height=240, frames_per_s=10.0))
    assert np.array_equal(one.weather.wind_m_s, other.weather.wind_m_s)
    assert one.scene(30).feeder_rad == other.scene(60).feeder_rad


def test_no_wind_moves_nothing():
    plan = GardenPlan(GardenSettings(wind_m_s=0.0, gusts_per_min=0.0, duration_s=10.0, visits=()))
    scene = plan.scene(40)
    assert scene.feeder_rad == 0.0
    assert scene.shake_px == (0.0, 0.0)
    assert all(abs(part) < 1e-9 for part in scene.leaves_px)


@pytest.mark.parametrize("month", [1, 3, 6, 10])
@pytest.mark.parametrize("hour", [0, 6, 9, 13, 17, 21])
def test_the_sun_s_height_against_astral(month, hour):
    """Reference: the library astral. Without the equation of time ours is good to 4 degrees."""
    when = datetime(2026, month, 14, hour, tzinfo=UTC)
    expected = elevation(Observer(51.752, -1.258), when, with_refraction=False)
    assert daylight.sun_height_deg(when, 51.752, -1.258) == pytest.approx(expected, abs=4.0)


def test_daylight_grows_with_the_sun():
    lux = daylight.clear_sky_lux(np.linspace(-20, 90, 200))
    assert (np.diff(lux) >= 0).all()


def test_exposure_follows_the_light_with_lag():
    lux = np.full(2000, 1e5)
    lux[500:] = 2.5e4  # two stops down
    track = daylight.follow(lux, STEP_S, 0.0)
    assert track.brightness[499] == pytest.approx(1.0)
    assert track.brightness[500] < 0.3
    after_s = np.argmax(track.brightness[500:] > 0.95) * STEP_S
    assert 2.0 < after_s < 10.0


def test_a_stepped_exposure_moves_in_whole_steps():
    lux = 1e5 * 2.0 ** -np.linspace(0.0, 2.0, 3000)
    track = daylight.follow(lux, STEP_S, 0.33)
    moves = np.diff(np.log2(track.exposure_s))
    moves = moves[np.abs(moves) > 1e-9]
    assert len(moves) >= 4
    assert moves == pytest.approx(np.full(len(moves), 0.33), abs=1e-6)


def test_at_night_the_gain_is_at_its_limit_and_the_picture_dark():
    track = daylight.follow(np.full(10, 1.0), STEP_S, 0.0)
    assert track.gain[0] == daylight.HIGHEST_GAIN
    assert track.exposure_s[0] == daylight.LONGEST_EXPOSURE_S
    assert track.brightness[0] < 0.1


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"start": datetime(2026, 6, 14, 14)}, "aware"),  # noqa: DTZ001  # naive on purpose
        ({"width": 642}, "multiples of 4"),
        ({"duration_s": 0.0}, "above 0"),
        ({"rain": 1.5}, "rain must be within 0 and 1"),
        ({"wind_m_s": -1.0}, "wind_m_s must not be below 0"),
        ({"species": ("dodo",)}, "unknown species"),
    ],
)
def test_settings_that_make_no_sense_are_refused(change, text):
    with pytest.raises(ValueError, match=text):
        replace(GardenSettings(), **change)


def test_frame_times_are_exact():
    plan = GardenPlan(GardenSettings(duration_s=10.0, visits=()))
    assert plan.wall(7) - plan.wall(0) == timedelta(seconds=1.4)
    with pytest.raises(IndexError):
        plan.scene(50)
