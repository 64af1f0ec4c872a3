"""How this garden is laid out: where the feeder hangs, what stands behind it. Varies with the seed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dooryard.camera.garden.settings import DESIGN_WIDTH, Backdrop, Feeder, GardenSettings
from dooryard.camera.garden.sway import PIXELS_PER_M

_HEIGHT = {Feeder.TUBE: 205.0, Feeder.CAGE: 170.0, Feeder.TRAY: 130.0}
# Perches of each feeder: across and down from the top of its body, and which side of it (-1 left),
# in design pixels at size 1. They fit the pictures of `paint_feeder`.
_PERCHES: dict[Feeder, tuple[tuple[float, float, int], ...]] = {
    Feeder.TUBE: ((-44, 92, -1), (44, 92, 1), (-44, 146, -1), (44, 146, 1), (-42, 188, -1), (42, 188, 1)),
    Feeder.CAGE: ((-40, 151, -1), (40, 151, 1)),
    Feeder.TRAY: ((-46, 119, -1), (46, 119, 1), (0, 119, 1)),
}


@dataclass(frozen=True, slots=True)
class Perch:
    """Where a bird's feet are on the feeder, from its pivot, in design pixels, the feeder at rest."""

    across: float
    down: float
    side: int


@dataclass(frozen=True, slots=True)
class Layout:
    """One garden. Lengths in design pixels."""

    feeder: Feeder
    backdrop: Backdrop
    pivot: tuple[float, float]  # where the wire hangs from
    wire: float
    size: float
    pole_side: int  # -1: the pole stands left of the feeder
    horizon: float  # where the lawn begins
    leaves_side: int  # side of the leaves in front
    perches: tuple[Perch, ...]
    damping: float

    @property
    def has_feeder(self) -> bool:
        return self.feeder is not Feeder.NONE

    def pole_foot_y(self, height: int) -> float:
        """Where the pole stands on the lawn of a view of `height` design pixels."""
        return self.horizon + 0.34 * (height - self.horizon)

    @property
    def pendulum_m(self) -> float:
        """From the pivot to about the feeder's centre of mass, in metres."""
        return (self.wire + 0.55 * self.size * _HEIGHT.get(self.feeder, 0.0)) / PIXELS_PER_M


def draw_layout(settings: GardenSettings, seed: np.random.SeedSequence) -> Layout:
    """The layout that `settings` and `seed` give."""
    rng = np.random.default_rng(seed)
    height = settings.design_height
    kinds = (Feeder.TUBE, Feeder.CAGE, Feeder.TRAY)
    drops = (Backdrop.FENCE, Backdrop.HEDGE, Backdrop.ORCHARD)
    any_feeder, any_drop = kinds[int(rng.integers(3))], drops[int(rng.integers(3))]
    layout = Layout(
        feeder=any_feeder if settings.feeder is Feeder.ANY else settings.feeder,
        backdrop=any_drop if settings.backdrop is Backdrop.ANY else settings.backdrop,
        pivot=(DESIGN_WIDTH * float(rng.uniform(0.36, 0.64)), float(rng.uniform(20, 48))),
        wire=float(rng.uniform(26, 80)),
        size=float(rng.uniform(0.95, 1.2)),
        pole_side=int(rng.choice([-1, 1])),
        horizon=height * float(rng.uniform(0.58, 0.68)),
        leaves_side=int(rng.choice([-1, 1])),
        perches=(),
        damping=float(rng.uniform(0.025, 0.06)),
    )
    return replace(layout, perches=_perches(layout))


def _perches(layout: Layout) -> tuple[Perch, ...]:
    return tuple(
        Perch(x * layout.size, layout.wire + y * layout.size, side)
        for x, y, side in _PERCHES.get(layout.feeder, ())
    )
