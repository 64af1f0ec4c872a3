"""What the gate may be told: sizes, ignored areas, and its time constants in seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass

Polygon = tuple[tuple[float, float], ...]

SHORTEST_PX, LONGEST_PX = 120, 640  # a side of the luma; 160x120 to 640x480, lying or upright


@dataclass(frozen=True, slots=True)
class GateSettings:
    """Settings of the motion gate. Lengths are relative to the picture, times are in seconds.

    The owner sets the first three; the rest has defaults that hold for any site, because the gate
    measures the site itself.
    """

    smallest: float = 0.04  # shortest visitor's longer side, as a part of the picture's width
    ignore: tuple[Polygon, ...] = ()  # corners (x, y), 0..1, y downwards
    target_false_per_hour: float = 2.0  # what the gate steers toward when nobody is there

    threshold: float = 0.95  # how strong a change must be in a calm place; lower lets more through
    settle_s: float = 12.0  # a new view is learned for this long before anything is let through
    memory_s: float = 60.0  # background and its spread
    deviation_s: float = 8.0  # how fast restlessness is learned and forgotten
    smooth_s: float = 1.2  # signed mean over time: sway cancels in it, a perched bird does not
    quick_s: float = 0.4  # the reference against which restlessness is measured
    gap_s: float = 30.0  # after a longer gap the view is learned again
    guard_s: float = 1800.0  # the background under a standing visitor is kept for at most this long
    unknown_guard_s: float = 60.0  # the same under what was let through and nobody has named
    least_contrast: float = 0.02  # smallest change of log brightness that can count (about 2 %)


_TIMES = (
    "settle_s",
    "memory_s",
    "deviation_s",
    "smooth_s",
    "quick_s",
    "gap_s",
    "guard_s",
    "unknown_guard_s",
)


def problems(settings: GateSettings) -> list[str]:
    """Everything about `settings` that makes no sense, one sentence each; empty when all is well."""
    found = []
    if not 0.01 <= settings.smallest <= 0.5:
        found.append(
            f"smallest: {settings.smallest} is not between 0.01 and 0.5 of the picture's width; "
            "0.04 suits a small bird at a feeder"
        )
    if not 0.01 <= settings.target_false_per_hour <= 60:
        found.append(
            f"target_false_per_hour: {settings.target_false_per_hour} is not between 0.01 and 60; 2 is usual"
        )
    if not 0.3 <= settings.threshold <= 5:
        found.append(f"threshold: {settings.threshold} is not between 0.3 and 5; 0.95 is usual")
    for number, polygon in enumerate(settings.ignore):
        found += [f"ignore[{number}]: {text}" for text in _polygon_problems(polygon)]
    for name in _TIMES:
        if not getattr(settings, name) > 0:
            found.append(f"{name}: must be more than 0 seconds")
    if settings.settle_s > 20:
        found.append(f"settle_s: {settings.settle_s} is longer than the 20 s within which a view is learned")
    return found


def _polygon_problems(polygon: Polygon) -> list[str]:
    if len(polygon) < 3:
        return [f"has {len(polygon)} corners; an area needs at least 3"]
    found = []
    for x, y in polygon:
        if not (0 <= x <= 1 and 0 <= y <= 1):
            found.append(
                f"corner ({x}, {y}) lies outside the picture; give parts of its width and height, 0 to 1"
            )
    if not found and area(polygon) < 1e-4:
        found.append("covers next to nothing; check the order of its corners")
    return found


def area(polygon: Polygon) -> float:
    """Area enclosed by `polygon` as a part of the picture (shoelace formula)."""
    total = 0.0
    for (x0, y0), (x1, y1) in zip(polygon, polygon[1:] + polygon[:1], strict=True):
        total += x0 * y1 - x1 * y0
    return math.fabs(total) / 2
