"""What the lamp shows."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.button.patterns import MEANS, STEPS, Shows, choose, light


def blinks(shows: Shows, seconds: float = 20.0) -> int:
    """How often the lamp goes on in `seconds`, sampled as an eye would see it."""
    lit = [light(shows, t * 0.01).lit for t in range(round(seconds * 100))]
    return sum(now and not before for before, now in itertools.pairwise([False, *lit]))


def test_the_words_are_true():
    assert blinks(Shows.RUNNING) == 4  # one every five seconds
    assert blinks(Shows.SENDING) == 20  # two every two seconds
    assert blinks(Shows.LATE) == 15  # three every four seconds
    assert blinks(Shows.HOT) == 10  # one second on, one second off
    assert blinks(Shows.HALTING) == 100  # five a second
    assert blinks(Shows.SEEING) == 1
    assert blinks(Shows.DARK) == 0
    assert sum(seconds for _, seconds in STEPS[Shows.LATE]) == pytest.approx(4.0)


def test_no_two_look_alike_and_each_has_a_meaning():
    seen = {shows: tuple(light(shows, t * 0.05).lit for t in range(200)) for shows in Shows}
    assert len(set(seen.values())) == len(Shows)
    assert MEANS.keys() == STEPS.keys() == set(Shows)


@given(st.sampled_from(Shows), st.floats(min_value=0.0, max_value=1e6))
def test_light_lasts_as_long_as_it_says(shows: Shows, elapsed_s: float):
    now = light(shows, elapsed_s)
    assert 0.0 < now.for_s <= 60.0
    if now.for_s > 1e-3:
        assert light(shows, elapsed_s + now.for_s * 0.5).lit == now.lit


@given(st.tuples(*[st.booleans()] * 5))
def test_halting_is_never_hidden(holds: tuple[bool, ...]):
    halting, hot, seeing, sending, late = holds
    shows = choose(halting=halting, hot=hot, seeing=seeing, sending=sending, late=late)
    assert (shows is Shows.HALTING) == halting
    assert (shows is Shows.RUNNING) == (not any(holds))
    if hot and not halting:
        assert shows is Shows.HOT
