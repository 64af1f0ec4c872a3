"""When most of the view has changed for good (a nudged camera, a lamp), it is learned again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dooryard.gate.blobs import components

if TYPE_CHECKING:
    from dooryard.gate.background import View

SCENE_CHANGE_PART = (
    0.25  # of all cells differ; gales and passing clouds of the made-up scenes stayed below 0.21
)
SCENE_CHANGE_S = 4.0  # for so long, before the view is learned again
BODY_PART = 0.5  # a single change within a box of less than this part of the picture is a body, however near
ALONE = 0.35  # and makes up this part of all that changed (light around it seems changed too)
OTHER_LIGHT = 0.4  # log brightness of the whole view: no body in a half of it changes that so much
NEWS = "most of the view has changed: relearning it"


def has_changed(view: View) -> bool:
    """Does most of the view look different, other than by one large visitor?"""
    if view.differ < SCENE_CHANGE_PART * view.ratio.size:
        return False
    if abs(view.gain) > OTHER_LIGHT:
        return True
    blobs, _ = components(view.signs(view.gust))
    largest = max(blobs, key=lambda blob: len(blob.cells))
    box = (largest.y1 - largest.y0) * (largest.x1 - largest.x0)
    return not (len(largest.cells) >= ALONE * view.differ and box < BODY_PART * view.ratio.size)
