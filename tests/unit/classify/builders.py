"""Frames for the classifier's tests."""

from datetime import UTC, datetime

import numpy as np

from dooryard.core.records import Exposure, Frame

WALL = datetime(2026, 6, 14, 14, 0, tzinfo=UTC)


class LargePicture:
    """A large picture that counts how often it is fetched, and goes bad with the next frame."""

    def __init__(self, pixels: np.ndarray) -> None:
        self.pixels = pixels
        self.fetched = 0

    def __call__(self) -> np.ndarray:
        self.fetched += 1
        return self.pixels

    def overwrite(self) -> None:
        self.pixels[:] = 0


def frame(large, *, number: int = 7, gain: float | None = None) -> Frame:
    luma = np.zeros((240, 320), dtype=np.uint8)
    return Frame(number, WALL, 1234.5, luma, large, Exposure(gain=gain))


def noise(height: int = 300, width: int = 400) -> np.ndarray:
    return np.random.default_rng(9).integers(0, 256, (height, width, 3)).astype(np.uint8)
