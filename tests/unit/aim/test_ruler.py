"""From a ruler to a sparrow: proportion. Lengths of a house sparrow: Collins Bird Guide, from memory."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from dooryard.aim.ruler import ENOUGH_PX, SPARROW_MM, measure

LARGE = (1640, 1232)
SIDE = st.floats(0, 1)


def test_a_perch_of_twenty_centimetres():
    found = measure((0.25, 0.5), (0.5, 0.5), 200, LARGE, 0.04)
    assert found.ruler_px == pytest.approx(410)
    assert found.sparrow_px == pytest.approx((287, 328))
    assert found.text == (
        "A house sparrow (14 to 16 cm) is 287 to 328 pixels long here. "
        "That is enough for the classifier, which wants 64 or more."
    )


def test_an_upright_ruler_counts_by_pixels_not_by_parts():
    found = measure((0.5, 0.25), (0.5, 0.75), 616, LARGE, 0.04)
    assert found.sparrow_px == pytest.approx(SPARROW_MM)


def test_too_far_away():
    found = measure((0.1, 0.5), (0.2, 0.5), 500, LARGE, 0.04)
    assert (found.for_the_gate, found.for_the_classifier) == (False, False)
    assert found.text == (
        "A house sparrow (14 to 16 cm) is 46 to 52 pixels long here. That is too small for the classifier, "
        "which wants 64 or more and for the gate, which wants 66 (its key smallest): bring the camera to "
        "70% of the distance, or let region show less of the view."
    )


def test_enough_for_the_one_and_not_for_the_other():
    found = measure((0.1, 0.5), (0.2, 0.5), 250, LARGE, 0.1)
    assert (found.for_the_gate, found.for_the_classifier) == (False, True)
    assert "too small for the gate, which wants 164" in found.text


@given(SIDE, SIDE, SIDE, SIDE, st.floats(1, 10_000), st.floats(0.01, 0.5))
def test_coming_as_near_as_it_says_is_enough(x0, y0, x1, y1, length_mm, smallest):
    far = measure((x0, y0), (x1, y1), length_mm, LARGE, smallest)
    assume(far is not None)
    wanted = max(ENOUGH_PX, smallest * LARGE[0])
    assert (far.for_the_gate and far.for_the_classifier) == (far.sparrow_px[0] >= wanted)
    assert ("enough" in far.text) == (far.sparrow_px[0] >= wanted)


@pytest.mark.parametrize("length_mm", [0, -5, 10_001, float("nan"), float("inf")])
def test_no_such_length(length_mm):
    assert measure((0, 0), (1, 1), length_mm, LARGE, 0.04) is None


@pytest.mark.parametrize("end", [(0.5, 0.5), (0.503, 0.5), (float("nan"), 0.5)])
def test_no_such_ruler(end):
    assert measure((0.5, 0.5), end, 100, LARGE, 0.04) is None
