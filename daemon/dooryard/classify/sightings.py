"""The parts of a sighting that do not depend on the model: checked boxes and a picture that lasts. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dooryard.core.records import Box, Frame, Rgb


def lasting(frame: Frame) -> Rgb:
    """Return the frame's large picture, (H, W, 3) uint8, read-only, and so that it stays as it is.

    A picture that is read-only and owns its pixels is the camera's promise to leave it alone; any other is
    copied.
    """
    given = np.asarray(frame.large())
    promised = not given.flags.writeable and given.flags.owndata and given.flags.c_contiguous
    pixels = given if promised else np.array(given, order="C", copy=True)
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or 0 in pixels.shape:
        raise ValueError(f"the large picture is {pixels.shape} {pixels.dtype}, not (H, W, 3) uint8")
    pixels.flags.writeable = False
    return pixels


def check(boxes: Sequence[Box]) -> None:
    """Raise ValueError unless each box is a rectangle within the picture."""
    for box in boxes:
        if not (0 <= box.x0 < box.x1 <= 1 and 0 <= box.y0 < box.y1 <= 1):
            raise ValueError(f"{box} is not a rectangle within 0..1")
