"""From a map of what is different to scored blobs: by hand, on maps drawn for the purpose."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from dooryard.core.records import Box, RejectReason
from dooryard.gate import score
from dooryard.gate.background import View
from dooryard.gate.evidence import ENOUGH_S
from dooryard.gate.score import DROPS, MOST_BLOBS, score_blobs
from dooryard.gate.settings import GateSettings
from dooryard.gate.shape import NO_SHAPE, Shape, likeness
from dooryard.gate.state import GateState, renewed

ROWS, COLS = 60, 80
SETTINGS = GateSettings(threshold=1.0, smallest=0.04)
NEW = replace(renewed((240, 320), np.full((ROWS, COLS), 90, np.float32), 0.0, None, ""), ready=True)
STATE = replace(NEW, evidence=np.full((ROWS, COLS), ENOUGH_S, np.float32))  # it has all lasted


def view(*bodies: tuple[int, int, int, int, float], specks: int = 0) -> View:
    """A view in which rectangles (top row, left column, height, width) differ, each by a ratio of its own."""
    ratio = np.zeros((ROWS, COLS), np.float32)
    for row, column, height, width, strength in bodies:
        ratio[row : row + height, column : column + width] = strength
    for number in range(specks):
        ratio[1, 3 * number] = 1.0
    change = ratio * np.float32(0.02)
    usual = np.full_like(ratio, 0.02)
    flat = np.zeros_like(ratio)
    maps = dict.fromkeys(("level", "local", "deviation"), flat)
    maps |= dict.fromkeys(("raw", "whole", "change", "mean", "quick"), change)
    differ = int((ratio > 0.9).sum())
    return View(
        repeated=False, gain=0.0, shift=(0.0, 0.0), gust=1.0, usual=usual, ratio=ratio, differ=differ, **maps
    )


def scored(
    seen: View,
    state: GateState = STATE,
    settings: GateSettings = SETTINGS,
    there: tuple[Box, ...] = (),
    dt_s: float = 0.1,
) -> list[score.ScoredBlob]:
    return score_blobs(state, seen, settings, there, dt_s)


def with_shape(monkeypatch: pytest.MonkeyPatch, shape: Shape) -> None:
    monkeypatch.setattr(score, "shape_of", lambda *_: shape)


@pytest.fixture(autouse=True)
def _a_body(monkeypatch: pytest.MonkeyPatch) -> None:
    with_shape(monkeypatch, NO_SHAPE)


BODY = (20, 30, 8, 10)


def test_the_score_is_the_peak_over_the_threshold():
    [one] = scored(view((*BODY, 3.0)))
    assert one.motion.score == pytest.approx(3.0)
    assert one.motion.reject_reason is None
    [half] = scored(view((*BODY, 3.0)), settings=replace(SETTINGS, threshold=2.0))
    assert half.motion.score == pytest.approx(1.5)


def test_the_box_is_relative_to_the_picture():
    [one] = scored(view((*BODY, 3.0)))
    assert one.motion.box == Box(30 / 80, 20 / 60, 40 / 80, 28 / 60)


def test_the_shape_lowers_the_score(monkeypatch):
    shape = Shape(texture=0.5, shift=0.2, known=0.0, left=1.0, halo=0.1)
    with_shape(monkeypatch, shape)
    [one] = scored(view((*BODY, 3.0)))
    assert one.motion.score == pytest.approx(3.0 * likeness(shape))


def test_the_shape_of_what_is_far_too_weak_is_not_looked_at(monkeypatch):
    asked = []
    monkeypatch.setattr(score, "shape_of", lambda *given: asked.append(given[4]) or NO_SHAPE)
    scored(view((*BODY, 0.84)), settings=SETTINGS)
    assert asked == []
    # Nothing less than 0.9 is a candidate, so a threshold over one is what makes it this weak.
    scored(view((*BODY, 17.0)), settings=replace(SETTINGS, threshold=20.0))
    assert asked == [1.0]  # what the shape must leave of it to be of use
    scored(view((*BODY, 16.9)), settings=replace(SETTINGS, threshold=20.0))
    assert len(asked) == 1


def test_somebody_who_stays_needs_less_and_is_not_asked_for_a_shape(monkeypatch):
    with_shape(monkeypatch, Shape(texture=1.0, shift=1.0, known=1.0, left=0.0, halo=1.0))
    here = Box(0.45, 0.40, 0.55, 0.50)  # touches the body
    [one] = scored(view((*BODY, 1.2)), there=(here,))
    assert one.motion.score == pytest.approx(1.2 / 0.6)
    assert one.motion.reject_reason is None


def test_places_that_move_alike_count_as_wind():
    two = scored(view((*BODY, 4.0), (40, 60, 8, 10, 2.0)))  # half the peak still counts
    assert [each.motion.score for each in two] == [
        pytest.approx(4 / math.sqrt(2)),
        pytest.approx(2 / math.sqrt(2)),
    ]
    alone, weak = scored(view((*BODY, 4.0), (40, 60, 8, 10, 1.99)))
    assert alone.motion.score == pytest.approx(4.0)
    assert weak.motion.score == pytest.approx(1.99 / math.sqrt(2))  # beside it there is a stronger one


def test_the_strongest_are_looked_at_and_no_more():
    bodies = [(5 + 10 * number, 30, 5, 5, 3.0 + number / 10) for number in range(MOST_BLOBS + 1)]
    found = scored(view(*bodies))
    assert [each.blob.y0 for each in found] == [45, 35, 25, 15]
    assert len(found) == MOST_BLOBS


def test_two_cells_are_nothing():
    assert scored(view((20, 30, 1, 2, 9.0))) == []
    assert scored(view((20, 30, 1, 2, 9.0), (40, 30, 1, 2, 9.0))) == []  # four cells, of which none is a blob
    [one] = scored(view((20, 30, 1, 3, 9.0)), settings=replace(SETTINGS, smallest=0.01))
    assert len(one.blob.cells) == 3


@pytest.mark.parametrize("state", [replace(STATE, ready=False), replace(STATE, scene_change_s=0.1)])
def test_a_view_that_is_not_known_lets_nobody_through(state):
    [one] = scored(view((*BODY, 9.0)), state)
    assert one.motion.reject_reason is RejectReason.LEARNING


def test_what_is_ignored_by_half_is_ignored():
    def ignoring(columns: int) -> RejectReason | None:
        right = (30 + columns) / COLS
        settings = replace(SETTINGS, ignore=(((0.0, 0.0), (right, 0.0), (right, 1.0), (0.0, 1.0)),))
        return scored(view((*BODY, 9.0)), settings=settings)[0].motion.reject_reason

    assert ignoring(5) is RejectReason.IGNORED
    assert ignoring(4) is None


def test_after_a_jump_of_light_everything_is_light():
    [one] = scored(view((*BODY, 9.0)), replace(STATE, unsteady_s=0.1))
    assert one.motion.reject_reason is RejectReason.LIGHT


def test_the_longer_side_is_measured_in_widths_of_the_picture():
    def reason(height: int, width: int, smallest: float) -> RejectReason | None:
        settings = replace(SETTINGS, smallest=smallest)
        return scored(view((20, 30, height, width, 9.0)), settings=settings)[0].motion.reject_reason

    assert reason(2, 4, 0.0499) is None  # 4 of 80 columns
    assert reason(2, 4, 0.0501) is RejectReason.SMALL
    assert reason(4, 2, 0.0499) is None  # 4 of 60 rows, of a picture that is 4 : 3
    assert reason(4, 2, 0.0501) is RejectReason.SMALL
    assert reason(2, 4, 34 / 80 - 30 / 80) is None  # just as long


def test_small_things_among_many_specks_are_rain():
    assert DROPS == 6
    few, many = (scored(view((20, 30, 2, 2, 9.0), specks=count)) for count in (DROPS - 1, DROPS))
    assert few[0].motion.reject_reason is RejectReason.SMALL
    assert many[0].motion.reject_reason is RejectReason.RAIN
    assert scored(view((*BODY, 9.0), specks=DROPS))[0].motion.reject_reason is None  # a bird in the rain


def test_what_is_too_weak_is_light_or_sway_by_its_shape(monkeypatch):
    def reason(**about: float) -> RejectReason | None:
        shape = NO_SHAPE._replace(**about)
        with_shape(monkeypatch, shape)
        monkeypatch.setattr(score, "likeness", lambda _: 0.5)
        return scored(view((*BODY, 1.5)))[0].motion.reject_reason

    assert reason() is RejectReason.SWAY
    assert reason(texture=0.81) is RejectReason.LIGHT
    assert reason(texture=0.80) is RejectReason.SWAY
    assert reason(halo=0.41) is RejectReason.LIGHT
    assert reason(halo=0.40) is RejectReason.SWAY
    assert reason(texture=0.9, shift=0.5) is RejectReason.SWAY
    assert reason(texture=0.9, shift=0.49) is RejectReason.LIGHT
    assert reason(texture=0.9, known=0.5) is RejectReason.SWAY
    assert reason(texture=0.9, left=0.5) is RejectReason.SWAY
    assert reason(texture=0.9, left=0.51) is RejectReason.LIGHT


def test_a_place_that_was_taught_asks_for_more():
    site = STATE.site
    taught = replace(STATE, site=replace(site, threshold=np.full_like(site.threshold, 1.5)))
    [weak] = scored(view((*BODY, 1.4)), taught)
    assert weak.motion.reject_reason is RejectReason.WEAK
    assert weak.motion.score == pytest.approx(1.4 / 1.5)
    [enough] = scored(view((*BODY, 3.0)), taught)
    assert enough.motion.reject_reason is None
    assert enough.motion.score == pytest.approx(2.0)
    [just] = scored(view((*BODY, 1.5)), taught)
    assert just.motion.reject_reason is None


def test_what_has_just_come_is_brief_until_there_is_evidence_enough():
    [first] = scored(view((*BODY, 2.0)), NEW)
    assert first.motion.reject_reason is RejectReason.BRIEF
    assert first.evidence == pytest.approx(0.1 * math.log(2))
    before = np.zeros((ROWS, COLS), np.float32)
    before.ravel()[first.blob.cells] = ENOUGH_S - first.evidence - 0.001
    [then] = scored(view((*BODY, 2.0)), replace(NEW, evidence=before))
    assert then.motion.reject_reason is RejectReason.BRIEF
    before.ravel()[first.blob.cells] += 0.002
    [later] = scored(view((*BODY, 2.0)), replace(NEW, evidence=before))
    assert later.motion.reject_reason is None


def test_just_enough_is_enough():
    [just] = scored(
        view((*BODY, 1.0))
    )  # of the threshold, and of the evidence: the logarithm of one is nothing
    assert just.motion.reject_reason is None


def test_evidence_moves_by_a_cell_with_the_visitor():
    before = np.zeros((ROWS, COLS), np.float32)
    before[BODY[0] - 1, BODY[1] - 1] = 2 * ENOUGH_S
    assert scored(view((*BODY, 2.0)), replace(NEW, evidence=before))[0].motion.reject_reason is None
