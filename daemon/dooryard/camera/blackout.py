"""Parts of the view that nobody is to see: painted over before a frame leaves the camera.

It wraps a camera of any kind, so that whatever takes frames (gate, classifier, store, recorder, pages) gets
them without those parts: there is no way round it. Nothing of what was there is used, not even its mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dooryard.camera.base import Camera, OpensInSteps
from dooryard.core.records import Box, Frame, Rgb

SPREAD_PX = 2  # what a camera's scaler takes from beside a pixel (common practice, no source)
_BLACK = 0
WHOLE = Box(0.0, 0.0, 1.0, 1.0)


class BlackedOut:
    """`camera` with `parts` of its pictures black, the small and the large ones.

    Parameters
    ----------
    parts : relative to the whole upright view, whatever part of it the pictures show
    shows : the part of the whole view that a frame shows which does not say so itself
    """

    def __init__(self, camera: Camera, parts: Sequence[Box], shows: Box = WHOLE) -> None:
        self.camera, self.parts = camera, tuple(parts)
        self.name, self.live = camera.name, camera.live
        self._shows = shows

    def open(self, after: datetime | None = None) -> None:
        self.camera.open(after)

    def read(self, timeout_s: float) -> Frame:
        frame = self.camera.read(timeout_s)
        parts = [within(part, frame.part or self._shows) for part in self.parts]
        luma = painted_over(frame.luma, parts)
        return replace(frame, luma=luma, large=partial(_large, frame, parts))

    def close(self) -> None:
        self.camera.close()


class BlackedOutInSteps(BlackedOut):
    """The same of a camera that `OpensInSteps`."""

    def open_in_steps(self, within_s: float) -> bool:
        assert isinstance(self.camera, OpensInSteps)
        return self.camera.open_in_steps(within_s)


def blacked_out(camera: Camera, parts: Sequence[Box], shows: Box = WHOLE) -> Camera:
    """`camera`, with `parts` black where there are any; see `BlackedOut`."""
    if not parts:
        return camera
    kind = BlackedOutInSteps if isinstance(camera, OpensInSteps) else BlackedOut
    return kind(camera, parts, shows)


def behind(camera: Camera) -> Camera:
    """The camera itself, which may know more than its pictures show."""
    return camera.camera if isinstance(camera, BlackedOut) else camera


def within(part: Box, shows: Box) -> Box:
    """Where `part` of the whole view lies in a picture of `shows`; it may lie outside."""
    wide, high = shows.x1 - shows.x0, shows.y1 - shows.y0
    return Box(
        (part.x0 - shows.x0) / wide,
        (part.y0 - shows.y0) / high,
        (part.x1 - shows.x0) / wide,
        (part.y1 - shows.y0) / high,
    )


def outward(box: Box, shows: Box) -> Box:
    """The other way: where `box` of a picture of `shows` lies in the whole view."""
    wide, high = shows.x1 - shows.x0, shows.y1 - shows.y0
    return Box(
        shows.x0 + box.x0 * wide, shows.y0 + box.y0 * high, shows.x0 + box.x1 * wide, shows.y0 + box.y1 * high
    )


def painted_over(pixels: NDArray[np.uint8], parts: Sequence[Box]) -> NDArray[np.uint8]:
    """A read-only copy of a picture, uint8 of shape (H, W) or (H, W, 3), with `parts` black.

    Every pixel that a part touches is black, and `SPREAD_PX` more on each side: a pixel at the rim is a mean
    of both sides.
    """
    copy = pixels.copy()
    height, width = pixels.shape[:2]
    for part in parts:
        copy[_reach(part.y0, part.y1, height), _reach(part.x0, part.x1, width)] = _BLACK
    copy.setflags(write=False)
    return copy


def _reach(start: float, end: float, length: int) -> slice:
    """The pixels of a side, `length` pixels long, that are to be black; none for what lies beside it."""
    first, last = math.floor(start * length) - SPREAD_PX, math.ceil(end * length) + SPREAD_PX
    return slice(max(0, first), max(0, last))


def _large(frame: Frame, parts: Sequence[Box]) -> Rgb:
    return painted_over(frame.large(), parts)
