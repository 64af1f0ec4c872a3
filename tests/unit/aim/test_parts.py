"""Rectangles to lines: what the box file's own reader makes of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.aim import parts
from dooryard.box.file import parse_box
from dooryard.camera.blackout import WHOLE, outward
from dooryard.core.records import Box

BOXES = st.builds(
    lambda x, y, w, h: Box(x, y, min(1.0, x + w), min(1.0, y + h)),
    st.floats(0, 0.98), st.floats(0, 0.98), st.floats(0.011, 0.9), st.floats(0.011, 0.9),
)  # fmt: skip
THERE = (((0.1, 0.2), (0.3, 0.2), (0.2, 0.4)),)


def read(lines):
    return parse_box(lines.replace("[camera]\n", '[camera]\nkind = "fake"\n'), "box.toml").value


def test_the_lines_to_copy():
    box = Box(0.25, 0.1, 0.5, 0.333333)
    assert parts.ignore_lines(THERE, [box]) == (
        "[gate]\nignore = [\n  [[0.1, 0.2], [0.3, 0.2], [0.2, 0.4]],\n"
        "  [[0.25, 0.1], [0.5, 0.1], [0.5, 0.333], [0.25, 0.333]],\n]\n"
    )
    assert parts.blackout_lines([(0, 0, 0.125, 1)], [box], WHOLE) == (
        "[camera]\nblackout = [\n  [0, 0, 0.125, 1],\n  [0.25, 0.1, 0.5, 0.334],\n]\n"
    )


def test_nothing_new_is_no_lines():
    assert parts.ignore_lines(THERE, []) == ""
    assert parts.blackout_lines([(0, 0, 1, 1)], [], WHOLE) == ""


@given(st.lists(BOXES, min_size=1, max_size=5))
def test_what_is_ignored_is_read_back(boxes):
    polygons = read(parts.ignore_lines(THERE, boxes)).gate.ignore
    assert polygons[0] == THERE[0]
    for polygon, box in zip(polygons[1:], boxes, strict=True):
        assert polygon[0] == pytest.approx(box[:2], abs=6e-4)
        assert polygon[2] == pytest.approx(box[2:], abs=6e-4)


@given(st.lists(BOXES, min_size=1, max_size=5), st.sampled_from([WHOLE, Box(0.25, 0.2, 0.75, 0.7)]))
def test_what_is_blacked_out_is_read_back_and_no_part_of_it_is_lost(boxes, shows):
    found = read(parts.blackout_lines([], boxes, shows)).camera.blackout
    for (x0, y0, x1, y1), box in zip(found, boxes, strict=True):
        wanted = outward(box, shows)
        assert x0 <= wanted.x0 + 1e-6
        assert y0 <= wanted.y0 + 1e-6
        assert x1 >= wanted.x1 - 1e-6
        assert y1 >= wanted.y1 - 1e-6
        assert (x0, y0, x1, y1) == pytest.approx(tuple(wanted), abs=1.1e-3)


def test_what_was_blacked_out_is_kept_whole():
    there = [(0.81239, 0.0004, 0.9121, 0.33311)]
    kept = read(parts.blackout_lines(there, [Box(0, 0, 0.1, 0.1)], WHOLE)).camera.blackout[0]
    assert kept == (0.812, 0.0, 0.913, 0.334)


def test_from_what_the_page_sends():
    assert parts.drawn("") == []
    assert parts.drawn("0.5,0.6,0.1,0.2") == [Box(0.1, 0.2, 0.5, 0.6)]
    assert parts.drawn("-1,0,0.5,2;0.1,0.1,0.101,0.5") == [Box(0, 0, 0.5, 1)]  # a slip of the finger
    for text in ("x", "1,2,3", "0.1,0.2,0.3,0.4,0.5", ";", "0.1,0.2,0.3,]"):
        assert parts.drawn(text) is None
    assert parts.drawn(";".join(["0,0,1,1"] * 33)) is None


@given(st.text(max_size=40))
def test_whatever_is_sent(text):
    for box in parts.drawn(text) or []:
        assert 0 <= box.x0 < box.x1 <= 1
        assert 0 <= box.y0 < box.y1 <= 1
