from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from dooryard.core.records import Box
from dooryard.gate.region_thresholds import HIGHEST_UNTAUGHT, REGIONS, new_thresholds, observe, threshold_at
from dooryard.gate.tail import MOST_EXCESS, THRESHOLD, excess, needed
from dooryard.gate.transients import SHORT_S, Running, Transient, follow

CENTRE = Box(0.5, 0.5, 0.6, 0.6)  # region (3, 4)


def pass_transients(site, score, lasting_s, every_s, times, *, visitor=False):
    """`times` stirs of `score`, each `lasting_s` long, one in `every_s`, at 5 frames a second."""
    for _ in range(times):
        for step in range(round(every_s * 5)):
            transients = [Transient(3, 4, score, visitor)] if step < lasting_s * 5 else []
            site = observe(site, transients, 0.2, 2.0)
    return site


def test_short_transients_raise_their_own_regions_threshold_and_no_other():
    site = pass_transients(new_thresholds(), 1.1, 2.0, 20.0, 30)
    assert 1.1 < threshold_at(site, CENTRE) <= np.float32(HIGHEST_UNTAUGHT)
    others = np.delete(site.threshold.ravel(), 3 * REGIONS[1] + 4)
    assert (others == 1).all()


def test_visitors_that_stay_raise_no_threshold():
    site = pass_transients(new_thresholds(), 4.0, 8.0, 30.0, 30, visitor=True)
    assert threshold_at(site, CENTRE) == 1


def test_a_visitors_own_coming_and_going_is_not_taken_for_wind():
    site = new_thresholds()
    for _ in range(20):
        for step in range(150):
            here, flight = 20 <= step < 80, 12 <= step < 17 or 84 <= step < 89
            transients = (
                [Transient(3, 4, 3.0, True)] if here else [Transient(1, 0, 1.5, False)] if flight else []
            )
            site = observe(site, transients, 0.2, 2.0)
    assert (site.threshold == 1).all()


def test_thresholds_are_forgotten_when_the_wind_is_over():
    windy = pass_transients(new_thresholds(), 1.1, 2.0, 20.0, 30)
    later = windy
    for _ in range(12 * 60):
        later = observe(later, [], 60.0, 2.0)
    assert threshold_at(later, CENTRE) < 1 + 0.5 * (threshold_at(windy, CENTRE) - 1)


def test_the_tail_keeps_an_exponential_law_to_its_target():
    """Outside source: the exponential law of log peaks, drawn by numpy and checked against scipy's."""
    rng = np.random.default_rng(6)
    scale, hours, per_hour, target = 0.12, 50.0, 60.0, 2.0
    peaks = THRESHOLD * np.exp(rng.exponential(scale, int(hours * per_hour)))
    winds, excesses = np.zeros(REGIONS, np.float32), np.zeros(REGIONS, np.float32)
    winds[3, 4], excesses[3, 4] = len(peaks), sum(excess(float(peak)) for peak in peaks)
    threshold = float(needed(winds, excesses, hours, target)[3, 4])
    assert threshold == pytest.approx(
        THRESHOLD * math.exp(stats.expon.isf(target / per_hour, scale=scale)), rel=0.04
    )
    assert float((peaks > threshold).sum()) / hours == pytest.approx(target, rel=0.35)


def test_calm_regions_and_calm_sites_ask_for_no_more():
    zero = np.zeros(REGIONS, np.float32)
    assert (needed(zero, zero, 10.0, 2.0) == THRESHOLD).all()
    assert excess(0.1) == 0
    assert excess(50.0) == MOST_EXCESS


def test_a_transient_joins_only_a_fresh_one_beside_it():
    running, wind, _ = follow((), [Transient(0, 0, 1.0, False)], 0.2)
    near, _, _ = follow(running, [Transient(1, 1, 1.0, False)], 0.2)
    far, _, _ = follow(running, [Transient(0, 3, 1.0, False)], 0.2)
    gone, _, _ = follow(running, [], 3.0)
    late, _, _ = follow(gone, [Transient(1, 1, 1.0, False)], 0.2)
    assert (len(near), len(far), len(late), wind) == (1, 2, 2, [])


def test_a_long_transient_is_no_wind():
    running = (Running(0, 0, 1.5, 1.5, SHORT_S + 1, 0.0, False),)
    left, wind, _ = follow(running, [], 60.0)
    assert (left, wind) == ((), [])
