"""Small builders that many tests share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from dooryard.core.records import Box, Exposure, Frame, Moment, Naming, Picture, Sighting

START = datetime(2026, 6, 14, 13, 0, tzinfo=UTC)
MONO_S = 5_000.0  # far from any wall time, so that a mix-up shows


def moment(t: float) -> Moment:
    """`t` seconds after the start, on both clocks."""
    return Moment(START + timedelta(seconds=t), MONO_S + t)


def frame(number: int, t: float, luma: np.ndarray | None = None) -> Frame:
    at = moment(t)
    grey = np.full((60, 80), 90, np.uint8) if luma is None else luma
    return Frame(number, at.wall, at.mono_s, grey, lambda: np.repeat(grey[..., None], 3, axis=2), Exposure())


def sighting(t: float, group: str = "bird", p: float = 0.9, at: tuple[float, float] = (0.5, 0.5),
             size: float = 0.2, species: tuple[Naming, ...] = ()) -> Sighting:  # fmt: skip
    when = moment(t)
    x, y = at
    box = Box(x - size / 2, y - size / 2, x + size / 2, y + size / 2)
    number = round(t * 5)
    pixels = np.full((48, 64, 3), number % 256, np.uint8)
    return Sighting(number, when.wall, when.mono_s, box, {group: p} if p else {}, species, 50.0,
                    Picture(number, when.wall, pixels, box))  # fmt: skip
