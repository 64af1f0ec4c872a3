"""The bench's own arithmetic, against outside figures."""

from __future__ import annotations

import pytest

from dooryard.core.records import Box
from gate_bench.clip import Clip, Stay
from gate_bench.measure import Count, count, empty_frames, poisson_limits, wilson_limits


def test_poisson_limits_are_garwoods():
    """Garwood, Biometrika 28 (1936): 95 % limits of 0, 5 and 10 events (the usual printed table)."""
    assert poisson_limits(0, 1.0) == pytest.approx((0.0, 3.689), abs=1e-3)
    assert poisson_limits(5, 1.0) == pytest.approx((1.623, 11.668), abs=1e-3)
    assert poisson_limits(10, 2.0) == pytest.approx((4.795 / 2, 18.390 / 2), abs=1e-3)


def test_wilson_limits():
    """Brown, Cai & DasGupta, Statistical Science 16 (2001): the score interval; 0 of 10 gives 0 .. 0.278."""
    assert wilson_limits(0, 10) == pytest.approx((0.0, 0.2775), abs=1e-3)
    assert wilson_limits(10, 10) == pytest.approx((0.7225, 1.0), abs=1e-3)


BIRD = Box(0.4, 0.4, 0.5, 0.5)
ELSEWHERE = Box(0.8, 0.8, 0.9, 0.9)


def clip():
    stay = Stay(20.0, 21.0, 31.0, 32.0, 32.0, dict.fromkeys(range(100, 160), BIRD))
    return Clip("made up", "made up", "calm", 5.0, 500, lambda: iter(()), (stay,), warm_s=4.0)


def fired(where):
    return [[where[number]] if number in where else [] for number in range(500)]


def test_captures_of_nobody_are_5_s_apart_and_outside_visits():
    got = count(clip(), fired({30: BIRD, 40: BIRD, 60: BIRD, 130: ELSEWHERE, 170: BIRD, 400: BIRD}))
    assert got.false == 3  # 6 s, 12 s, 80 s; 8 s is too near, the others are in or just after the visit
    assert got.empty_h == pytest.approx(empty_frames(clip()).sum() / 5 / 3600)


def test_a_visit_is_seen_only_where_it_is_and_once_it_has_settled():
    assert count(clip(), fired({130: ELSEWHERE})).recall() == (0, 1)
    assert count(clip(), fired({101: BIRD})).recall() == (0, 1)
    assert count(clip(), fired({110: BIRD})).late_s() == pytest.approx(1.0)
    assert count(clip(), fired({110: Box(0, 0, 1, 1)})).recall() == (0, 1)


def test_counts_add_up():
    one = count(clip(), fired({30: BIRD, 110: BIRD}))
    both = Count()
    both.add(one)
    both.add(one)
    assert (both.false, both.recall()) == (2, (2, 2))
