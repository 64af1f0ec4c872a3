"""Probabilities that hold."""

import math

import pytest

from dooryard.classify.calibration import (
    FLOOR,
    PRIOR,
    SUREST,
    Calibration,
    Line,
    calibrated,
    evidence_of,
    expected_error,
)
from dooryard.classify.labels import GROUPS

PLAIN = Calibration(*(Line(1, 0),) * 4)


def test_what_is_believed_beforehand_adds_up():
    assert sum(PRIOR.values()) == pytest.approx(1)
    assert set(PRIOR) == {"nobody", *GROUPS}


def test_evidence_by_hand():
    found = evidence_of({"bird": 0.4, "cat": 0.1})
    assert found["bird"] == pytest.approx(math.log((0.4 + FLOOR) / (0.5 + FLOOR)))
    assert found["dog"] == pytest.approx(math.log(FLOOR / (0.5 + FLOOR)))


def test_a_plain_line_changes_next_to_nothing():
    totals = dict.fromkeys(GROUPS, 0.0) | {"bird": 0.4, "cat": 0.1}
    assert calibrated(totals, PLAIN) == pytest.approx(totals, abs=0.005)


def test_lines_belong_to_their_groups():
    lines = Calibration(Line(1, 1), Line(1, 2), Line(1, 3), Line(1, 4))
    offsets = {group: lines.of(group).offset for group in GROUPS}
    assert offsets == dict.fromkeys(GROUPS, 2) | {"bird": 1, "dog": 3, "animal": 4}


def test_a_steeper_line_is_bolder_on_both_sides():
    steep = Calibration(*(Line(2, 0),) * 4)
    assert calibrated({"bird": 0.8}, steep)["bird"] > calibrated({"bird": 0.8}, PLAIN)["bird"]
    assert calibrated({"bird": 0.2}, steep)["bird"] < calibrated({"bird": 0.2}, PLAIN)["bird"]


def test_expected_error_by_hand():
    """Guo et al. 2017, equation 3: two bins, gaps 0.1 and 0.5, four of ten samples in the first."""
    sure = [0.4] * 4 + [0.9] * 6
    right = [True, True, False, False] + [True] * 2 + [False] * 4 + []
    expected = (4 * abs(0.4 - 0.5) + 6 * abs(0.9 - 2 / 6)) / 10
    assert expected_error(sure, right) == pytest.approx(expected)


def test_expected_error_of_a_sure_and_right_answer_is_none():
    assert expected_error([1.0, 0.0], [True, False]) == 0


@pytest.mark.parametrize(("sure", "right"), [([], []), ([0.5], [])])
def test_expected_error_of_nothing_is_refused(sure, right):
    with pytest.raises(ValueError, match="nothing to compare"):
        expected_error(sure, right)


@pytest.mark.parametrize("totals", [{"bird": 1.0}, {"bird": 0.6, "cat": 0.4}])
def test_no_look_is_surer_than_is_said(totals):
    """A noisy seed tube gets 0.9998 of some networks; shares between groups stay."""
    steep = Calibration(*(Line(3, 2),) * 4)
    found = calibrated(totals, steep)
    assert sum(found.values()) == pytest.approx(1 / (1 + math.exp(-SUREST)))
    if "cat" in totals:
        assert found["bird"] > found["cat"] > 0
