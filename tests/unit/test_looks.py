from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dooryard.core.records import Box, Motion, RejectReason
from dooryard.tracking.regions import joined, worth_a_look

HEAD, TAIL = Box(0.30, 0.30, 0.38, 0.40), Box(0.41, 0.42, 0.50, 0.55)
FAR = Box(0.80, 0.10, 0.90, 0.20)


def look(motions, occupied=(), lately=(), now_s=100.0, most=2):
    return worth_a_look(motions, occupied, lately, now_s, every_s=0.8, most=most)


def test_a_head_and_a_tail_are_one_animal():
    assert look([Motion(HEAD, 2.0), Motion(TAIL, 1.5), Motion(FAR, 1.2)]) == (HEAD.joined(TAIL), FAR)


def test_pieces_within_one_visit_are_one_animal():
    left, right = Box(0.30, 0.3, 0.34, 0.4), Box(0.46, 0.3, 0.50, 0.4)
    visitor = Box(0.28, 0.25, 0.52, 0.5)
    assert look([Motion(left, 2.0), Motion(right, 1.5)]) == (left, right)
    assert look([Motion(left, 2.0), Motion(right, 1.5)], occupied=[visitor]) == (left.joined(right),)


def test_what_was_held_back_is_not_looked_at():
    assert look([Motion(HEAD, 2.0, RejectReason.SWAY)]) == ()


def test_a_place_waits_its_turn():
    assert look([Motion(HEAD, 2.0)], lately=[(HEAD, 99.5)]) == ()
    assert look([Motion(HEAD, 2.0)], lately=[(HEAD, 99.0)]) == (HEAD,)


def test_the_strongest_go_first_and_no_more_than_asked():
    assert look([Motion(HEAD, 1.1), Motion(FAR, 3.0)], most=1) == (FAR,)


boxes = st.builds(
    lambda x, y, w, h: Box(x, y, x + w, y + h),
    st.floats(0, 0.9), st.floats(0, 0.9), st.floats(0.01, 0.1), st.floats(0.01, 0.1),
)  # fmt: skip


@given(st.lists(boxes, max_size=8), st.lists(boxes, max_size=3))
def test_law_joining_loses_nothing_and_is_done_once(pieces, anchors):
    whole = joined(pieces, anchors)
    assert len(whole) <= len(pieces)
    assert all(any(w.overlap(p) >= p.area * 0.999 for w in whole) for p in pieces)
    assert joined(whole, anchors) == whole
