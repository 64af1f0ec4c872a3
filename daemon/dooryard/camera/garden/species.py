"""Who may come to the garden, and how each moves."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Species:
    """One kind of visitor.

    `length_px` is the longer side of its picture in a view 640 pixels wide, at the distance of the
    feeder; `pace_px_per_s` is how fast it walks or runs across that view.
    """

    name: str
    group: str
    file: str
    faces_right: bool
    length_px: int
    mass_kg: float
    flies: bool
    on_feeder: bool = False
    pace_px_per_s: float = 120.0
    bound_px: float = 2.0  # how high it rises in each step


_ALL = (
    Species("blackbird", "bird", "blackbird.png", True, 120, 0.10, flies=True, on_feeder=True),
    Species("shore lark", "bird", "lark.png", True, 118, 0.04, flies=True, on_feeder=True),
    Species("little lark", "bird", "lark.png", True, 72, 0.02, flies=True, on_feeder=True),
    Species("little blackbird", "bird", "blackbird.png", True, 54, 0.02, flies=True, on_feeder=True),
    Species("pigeon", "bird", "pigeon.png", False, 150, 0.30, flies=True),
    Species("crow", "bird", "crow.png", False, 164, 0.50, flies=True),
    Species("mallard", "bird", "duck.png", True, 168, 1.10, flies=False, pace_px_per_s=90.0),
    Species("hen", "bird", "hen.png", True, 150, 2.00, flies=False, pace_px_per_s=110.0),
    Species("rooster", "bird", "rooster.png", True, 165, 2.50, flies=False, pace_px_per_s=110.0),
    Species(
        "grey squirrel",
        "squirrel",
        "squirrel.png",
        False,
        160,
        0.55,
        False,
        pace_px_per_s=260.0,
        bound_px=10.0,
    ),
    Species(
        "big-eared rabbit",
        "rabbit",
        "rabbit-2.png",
        False,
        135,
        1.60,
        False,
        pace_px_per_s=170.0,
        bound_px=12.0,
    ),
    Species(
        "white rabbit", "rabbit", "rabbit.png", True, 175, 3.50, False, pace_px_per_s=260.0, bound_px=12.0
    ),
    Species("badger", "badger", "badger.png", False, 190, 9.00, False, pace_px_per_s=100.0, bound_px=3.0),
)
SPECIES = {kind.name: kind for kind in _ALL}
