"""A bird of our own, drawn from a few shapes: what the survey shows the classifier, on any installation.

The simulated garden's animals would do as well, but are third-party files that a box need not have.
"""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw

from dooryard.core.records import Box, Rgb

SIZE = (640, 480)  # pixels
WHERE = Box(0.15, 0.15, 0.85, 0.95)  # the bird, with a little around it
_FINER = 2  # drawn larger, then made smaller: smooth edges

_GRASS, _BACK, _BREAST, _WING, _TAIL = (
    (96, 128, 72),
    (225, 225, 220),
    (245, 245, 240),
    (123, 123, 121),
    (157, 157, 154),
)
_ORANGE, _BLACK, _WHITE = (235, 140, 30), (15, 15, 15), (240, 240, 240)
# Shape, colour, pixels of the 640 x 480 picture; later ones lie over earlier ones.
_SHAPES = (
    ("polygon", _TAIL, (150, 330, 105, 390, 130, 405, 260, 340)),
    ("ellipse", _BACK, (170, 180, 430, 360)),
    ("ellipse", _BREAST, (250, 240, 430, 360)),
    ("ellipse", _BACK, (350, 110, 470, 230)),
    ("polygon", _BACK, (360, 200, 330, 270, 440, 280, 455, 200)),
    ("polygon", _ORANGE, (465, 160, 520, 175, 462, 188)),
    ("polygon", _WING, (200, 230, 330, 225, 340, 290, 240, 330, 140, 340)),
    ("ellipse", _BLACK, (420, 148, 440, 168)),
    ("ellipse", _WHITE, (430, 151, 435, 156)),
)
_LEGS_X = (290, 330)


def bird() -> Rgb:
    """Return a white bird with a grey wing on plain grass green; uint8 of shape (480, 640, 3)."""
    large = Image.new("RGB", (SIZE[0] * _FINER, SIZE[1] * _FINER), _GRASS)
    draw = ImageDraw.Draw(large)
    for shape, colour, at in _SHAPES:
        getattr(draw, shape)(_finer(*at), fill=colour)
    for x in _LEGS_X:
        for width, line in (
            (7, (x, 350, x + 5, 430)),
            (6, (x + 5, 430, x + 35, 432)),
            (5, (x + 5, 430, x - 15, 434)),
        ):
            draw.line(_finer(*line), fill=_ORANGE, width=width * _FINER)
    return np.asarray(large.resize(SIZE, Image.Resampling.LANCZOS))


def _finer(*pixels: int) -> list[int]:
    return [pixel * _FINER for pixel in pixels]
