"""Leaving out frames keeps the mean rate, and makes up for nothing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.core.rate_limit import in_turn


def taken(times, per_s):
    next_s, found = -math.inf, []
    for now_s in times:
        yes, next_s = in_turn(next_s, now_s, per_s)
        found += [now_s] if yes else []
    return found


@pytest.mark.parametrize("per_s", [0.1, 0.5, 1.0, 2.0, 3.0, 4.9, 5.0])
def test_the_mean_rate_holds(per_s):
    found = taken([k / 5 for k in range(5000)], per_s)
    assert len(found) == pytest.approx(1000 * per_s, abs=2)


def test_no_more_than_there_are():
    assert len(taken([k / 5 for k in range(50)], 30.0)) == 50


def test_a_gap_is_not_made_up_for():
    found = taken([0.0, 0.2, 100.0, 100.2, 100.4, 100.6, 100.8], 2.0)
    assert found == [0.0, 100.0, 100.6]


@given(st.lists(st.floats(0, 1000), max_size=60).map(sorted), st.floats(0.05, 30))
def test_never_more_than_the_rate_allows(times, per_s):
    found = taken(times, per_s)
    assert bool(found) is bool(times)
    for i, first in enumerate(found):
        for n, later in enumerate(found[i:]):
            assert n - 2 < (later - first) * per_s + 0.2
