"""How large a sparrow is in the picture, from a ruler laid over something of known size. Pure.

A house sparrow is 14 to 16 cm long, bill to tail (Collins Bird Guide, Svensson and others, from memory).
The small end counts for whether that is enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SPARROW_MM = (140.0, 160.0)
ENOUGH_PX = 64  # birds as long as this in the large picture: what tools/README.md has figures for
_LEAST_PX = 8.0  # a shorter ruler says too little
_MOST_MM = 10_000.0

Point = tuple[float, float]
"""x and y as parts of the picture's width and height."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What a ruler says. Lengths in pixels of the large picture."""

    ruler_px: float
    sparrow_px: tuple[float, float]
    for_the_gate: bool
    for_the_classifier: bool
    text: str


def measure(
    start: Point, end: Point, length_mm: float, large: tuple[int, int], smallest: float
) -> Measured | None:
    """What a ruler from `start` to `end` says that is `length_mm` long at the feeder.

    Parameters
    ----------
    large : (width, height) of the large picture in pixels
    smallest : the gate's, as a part of the picture's width

    Returns
    -------
    None for a ruler or a length that says nothing: under 8 pixels, not above 0, above 10 m.
    """
    ruler_px = math.hypot((end[0] - start[0]) * large[0], (end[1] - start[1]) * large[1])
    if not (ruler_px >= _LEAST_PX and 0 < length_mm <= _MOST_MM):
        return None
    short, long = (mm * ruler_px / length_mm for mm in SPARROW_MM)
    gate, classifier = short >= smallest * large[0], short >= ENOUGH_PX
    text = f"A house sparrow (14 to 16 cm) is {short:.0f} to {long:.0f} pixels long here. "
    return Measured(ruler_px, (short, long), gate, classifier, text + _verdict(short, large, smallest))


def _verdict(short_px: float, large: tuple[int, int], smallest: float) -> str:
    nearer = max(ENOUGH_PX / short_px, smallest * large[0] / short_px)
    if nearer <= 1:
        return f"That is enough for the classifier, which wants {ENOUGH_PX} or more."
    lacks = []
    if short_px < ENOUGH_PX:
        lacks.append(f"for the classifier, which wants {ENOUGH_PX} or more")
    if short_px < smallest * large[0]:
        lacks.append(f"for the gate, which wants {smallest * large[0]:.0f} (its key smallest)")
    return (
        f"That is too small {' and '.join(lacks)}: bring the camera to {1 / nearer:.0%} of the distance, "
        "or let region show less of the view."
    )
