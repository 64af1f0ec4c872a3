"""What the gate has learned about the place, as numbers and as a map."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dooryard.gate.background import usual_spread
from dooryard.gate.grid import Map
from dooryard.gate.modes import pattern_count
from dooryard.gate.region_thresholds import REGIONS
from dooryard.gate.settings import GateSettings
from dooryard.gate.tally import HOUR_S, totals

if TYPE_CHECKING:
    from dooryard.gate.state import GateState


@dataclass(frozen=True, slots=True)
class Region:
    """One region of the picture that asks for more than a calm one would."""

    where: str  # "row 2 of 6, column 5 of 8"
    threshold: float  # 1.0: as a calm place
    nobody: int  # verdicts
    somebody: int
    smallest_contrast: float  # the weakest lasting change of brightness that gets through (0.10 = 10 %)


@dataclass(frozen=True, slots=True, eq=False)
class GateReport:
    """See `text` for how it reads; `restless` is the map that goes with it."""

    watched_h: float
    learned_s: float
    per_hour: dict[str, float]  # reason -> times an hour, at least 5 s apart; "let through" among them
    regions: tuple[Region, ...]  # most costly first
    restless: Map  # (rows, cols): smallest contrast that gets through at each place
    calm_contrast: float  # the same for a place where nothing ever stirs
    patterns: int  # along which the wind is known to move this view


def report(state: GateState, settings: GateSettings | None = None, most_regions: int = 8) -> GateReport:
    """Explain `state`: counts by reason, and the regions that cost the most contrast."""
    watched_h = len(state.tally.hours) + state.tally.running_s / HOUR_S
    per_hour = {
        "let through" if reason is None else str(reason): count / max(watched_h, 1 / HOUR_S)
        for reason, count in totals(state.tally).items()
    }
    settings = settings or GateSettings()
    needed = _needed(state, settings)
    rows, cols = REGIONS
    found = [_region(state, needed, row, col) for row in range(rows) for col in range(cols)]
    found.sort(key=lambda region: region.smallest_contrast, reverse=True)
    calm = settings.threshold * settings.least_contrast
    worst, patterns = tuple(found[:most_regions]), pattern_count(state.modes)
    return GateReport(watched_h, state.learned_s, per_hour, worst, needed, calm, patterns)


def _needed(state: GateState, settings: GateSettings) -> Map:
    """Change of log brightness that a body must keep up at each cell to be looked at."""
    usual = usual_spread(state.widest_spread, settings.least_contrast)
    rows, cols = usual.shape
    row = np.arange(rows) * REGIONS[0] // rows
    col = np.arange(cols) * REGIONS[1] // cols
    needed: Map = usual * np.float32(settings.threshold) * state.site.threshold[row][:, col]
    return needed


def _region(state: GateState, needed: Map, row: int, col: int) -> Region:
    rows, cols = needed.shape
    part = needed[
        row * rows // REGIONS[0] : (row + 1) * rows // REGIONS[0],
        col * cols // REGIONS[1] : (col + 1) * cols // REGIONS[1],
    ]
    return Region(
        where=f"row {row + 1} of {REGIONS[0]}, column {col + 1} of {REGIONS[1]}",
        threshold=float(state.site.threshold[row, col]),
        nobody=int(state.site.nobody[row, col]),
        somebody=int(state.site.somebody[row, col]),
        smallest_contrast=float(np.median(part)),
    )
