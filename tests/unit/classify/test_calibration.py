"""Probabilities that hold."""

import math

import pytest

from dooryard.classify import card
from dooryard.classify.calibration import (
    FLOOR,
    PRIOR,
    SUREST,
    Calibration,
    LogOddsLine,
    calibrated,
    evidence_of,
    expected_error,
)
from dooryard.classify.labels import GROUPS
from dooryard.classify.onnx import BUILT_IN
from dooryard.classify.presence import MOST

PLAIN = Calibration(*(LogOddsLine(1, 0),) * 3)


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
    lines = Calibration(LogOddsLine(1, 1), LogOddsLine(1, 2), LogOddsLine(1, 3))
    offsets = {group: lines.of(group).offset for group in GROUPS}
    assert offsets == dict.fromkeys(GROUPS, 2) | {"bird": 1, "animal": 3}


def test_a_steeper_line_is_bolder_on_both_sides():
    steep = Calibration(*(LogOddsLine(2, 0),) * 3)
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
    steep = Calibration(*(LogOddsLine(3, 2),) * 3)
    found = calibrated(totals, steep)
    assert sum(found.values()) == pytest.approx(1 / (1 + math.exp(-SUREST)))
    if "cat" in totals:
        assert found["bird"] > found["cat"] > 0


LEANS = PLAIN._replace(presence=1.5)


@pytest.mark.parametrize("totals", [{}, {"bird": 0.2}, {"dog": 0.4, "cat": 0.1}])
def test_leaning_moves_somebody_and_leaves_the_shares(totals):
    away, even, towards = (calibrated(totals, LEANS, lean) for lean in (-2.0, 0.0, 2.0))
    assert sum(away.values()) < sum(even.values()) < sum(towards.values())
    for group in GROUPS:
        assert towards[group] / sum(towards.values()) == pytest.approx(even[group] / sum(even.values()))
    assert even == calibrated(totals, PLAIN)


def test_leaning_is_a_log_odds_times_its_weight():
    found = sum(calibrated({"bird": 0.1}, LEANS, 2.0).values())
    plain = sum(calibrated({"bird": 0.1}, PLAIN).values())
    assert math.log(found / (1 - found)) == pytest.approx(math.log(plain / (1 - plain)) + 3.0)


def test_leaning_makes_no_look_surer_than_is_said():
    assert sum(calibrated({"bird": 0.9}, LEANS, 4.0).values()) <= 1 / (1 + math.exp(-SUREST)) + 1e-12


def test_where_the_classes_say_nothing_the_features_may_decide_and_the_answer_is_a_bird():
    """What ships: said in classify/presence.py."""
    found = calibrated({}, card.parse(BUILT_IN.read_text(), "card").evidence, MOST)
    assert sum(found.values()) > 0.5
    assert max(found, key=found.__getitem__) == "bird"
    assert sum(calibrated({}, card.parse(BUILT_IN.read_text(), "card").evidence).values()) < 0.5
