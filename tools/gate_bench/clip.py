"""A clip: frames with times, and the truth about who was there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dooryard.core.records import Box

Luma = NDArray[np.uint8]  # (H, W)


@dataclass(frozen=True, slots=True)
class Stay:
    """One visit as it truly was. Times in seconds from the start of the clip."""

    start_s: float  # first seen anywhere in the picture
    settled_s: float
    leaving_s: float
    end_s: float
    longer_px: float  # the visitor's longer side in a picture 320 wide
    boxes: dict[int, Box]  # frame number -> where it is, for every frame in which it is seen

    @property
    def stay_s(self) -> float:
        return self.leaving_s - self.settled_s


@dataclass(frozen=True, slots=True)
class Clip:
    """`frames()` starts again at each call and gives the same pictures each time."""

    name: str
    family: str
    wind: str  # the class that the goals are set for: "calm", "breeze", "gale", "cloud", ...
    frames_per_s: float
    count: int
    frames: Callable[[], Iterator[Luma]]
    stays: tuple[Stay, ...]
    warm_s: float = 120.0  # not measured: any gate may learn the view first
