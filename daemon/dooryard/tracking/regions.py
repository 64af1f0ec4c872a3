"""Which parts of a frame are worth a look by the classifier. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from dooryard.core.records import Box, Motion

PIECE_GAP = 0.05  # pieces nearer than this (in picture widths and heights) belong together

PastLook = tuple[Box, float]  # where, and when (monotonic seconds)


def worth_a_look(
    motions: Sequence[Motion],
    occupied: Sequence[Box],
    lately: Sequence[PastLook],
    now_s: float,
    *,
    every_s: float,
    most: int,
) -> tuple[Box, ...]:
    """The strongest motions that the gate let through, at most `most`, each animal in one piece.

    The gate sees what differs from the empty view, which may be a head here and a tail there. Pieces
    that nearly touch, or that touch the same visit's place in `occupied`, are looked at as one. A place
    that was looked at within `every_s` waits.
    """
    strong = sorted((motion for motion in motions if motion.reject_reason is None), key=lambda m: -m.score)
    whole = joined([motion.box for motion in strong], occupied)
    busy = [box for box, at_s in lately if now_s - at_s < every_s]
    return tuple(box for box in whole if not any(box.overlap(other) > 0 for other in busy))[:most]


def joined(boxes: Sequence[Box], anchors: Sequence[Box] = ()) -> list[Box]:
    """`boxes` with those that belong together made one, until none do; in the order of the first."""
    whole: list[Box] = []
    for box in boxes:
        near = [other for other in whole if _together(box, other, anchors)]
        if near:
            apart = [other for other in whole if other not in near]
            grown = near[0]
            for other in (*near[1:], box):
                grown = grown.joined(other)
            at = whole.index(near[0])
            whole = joined([*apart[:at], grown, *apart[at:]], anchors)
        else:
            whole.append(box)
    return whole


def near(a: Box, b: Box, gap: float = PIECE_GAP) -> bool:
    """Whether two boxes overlap or are nearer than `gap`."""
    return a.x0 - gap < b.x1 and b.x0 - gap < a.x1 and a.y0 - gap < b.y1 and b.y0 - gap < a.y1


def _together(a: Box, b: Box, anchors: Sequence[Box]) -> bool:
    return near(a, b) or any(near(a, anchor, 0.0) and near(b, anchor, 0.0) for anchor in anchors)
