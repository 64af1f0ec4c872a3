"""What is said of a number and a bound is true, whatever the two are."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from dooryard.core.wording import percent_against, seconds_against

PARTS = st.floats(0, 1, allow_subnormal=False)
SECONDS = st.floats(0, 3600, allow_subnormal=False)


def number(text: str) -> float:
    return float(text.split(maxsplit=1)[0])


@given(PARTS, PARTS)
@example(0.992, 0.995)
@example(0.29, 0.29)
def test_a_certainty_is_shown_on_its_own_side(part, asked):
    shown, bound = percent_against(part, asked)
    assert (number(shown) >= number(bound)) == (part >= asked)


@given(SECONDS, SECONDS)
@example(4.98, 5.0)
def test_a_stay_is_shown_on_its_own_side(seconds, asked_s):
    shown, bound = seconds_against(seconds, asked_s)
    assert (number(shown) >= number(bound)) == (seconds >= asked_s)
