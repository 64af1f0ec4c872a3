"""How sharp a picture is, as a number to turn the lens by. Pure.

The variance of the Laplacian (`classify.crop.sharpness`, with its source), divided by the square of the mean
brightness: twice the light makes every difference twice as large, and says nothing of the lens. That
normalisation: Groen, Young and Ligthart, "A comparison of different focus functions for use in autofocus
algorithms", Cytometry 6 (1985), from memory. What a good value is depends on the view: compare only with
itself, and hold the camera still.
"""

from __future__ import annotations

import numpy as np

from dooryard.classify.crop import sharpness
from dooryard.core.records import Box, Rgb

MIDDLE = Box(1 / 3, 1 / 3, 2 / 3, 2 / 3)
_LEAST_PX = 16  # of a side
_DARK = 4.0  # grey levels: below, a picture's differences are noise
_SCALE = 1000.0  # so that usual values have one or two digits before the point


def focus_score(picture: Rgb, box: Box = MIDDLE) -> float | None:
    """The score of `box` in `picture`, uint8 of shape (H, W, 3); None where it is too dark to tell.

    A box smaller than 16 pixels is widened to that.
    """
    height, width = picture.shape[:2]
    x0, x1 = _span(box.x0, box.x1, width)
    y0, y1 = _span(box.y0, box.y1, height)
    green = np.ascontiguousarray(picture[y0:y1, x0:x1, 1])
    mean = float(green.mean())
    return None if mean < _DARK else _SCALE * sharpness(green) / mean**2


def _span(start: float, end: float, length: int) -> tuple[int, int]:
    first, last = int(start * length), int(np.ceil(end * length))
    lacks = max(0, _LEAST_PX - (last - first))
    first = max(0, min(first - lacks // 2, length - _LEAST_PX))
    return first, min(length, max(last, first + _LEAST_PX))
