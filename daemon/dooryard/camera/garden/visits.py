"""Who comes when: visits planned ahead, each with what it will do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dooryard.camera.garden.layout import Layout
from dooryard.camera.garden.settings import DESIGN_WIDTH, GardenSettings, RequestedVisit
from dooryard.camera.garden.species import SPECIES, Species
from dooryard.camera.garden.sprites import load_sprite

FLIGHT_PX_PER_S = 620.0
REST_BETWEEN_S = 6.0  # a drawn visit starts at least this long after the one before


@dataclass(frozen=True, slots=True)
class Act:
    """One thing that a visitor does while it stays. Times in seconds from the start of the scene."""

    start_s: float
    end_s: float
    kind: str  # "look", "peck" or "step"
    facing: int  # +1 looks to the right
    x_from: float  # design pixels; for visitors on the ground
    x_to: float


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """A visit as it will happen. Times in seconds from the start of the scene.

    From `start_s` it comes in from beyond the edge, `settled_s` to `leaving_s` it stays, at `end_s` it is
    out of the picture again.
    """

    number: int
    species: str
    group: str
    start_s: float
    settled_s: float
    leaving_s: float
    end_s: float
    on_feeder: bool
    perch: int
    enters: int  # -1 from the left, +1 from the right
    leaves: int
    air_y: float  # height at which a bird enters, design pixels
    ground_y: float
    acts: tuple[Act, ...]

    @property
    def kind(self) -> Species:
        return SPECIES[self.species]


def plan_visits(
    settings: GardenSettings, layout: Layout, seed: np.random.SeedSequence
) -> tuple[PlannedVisit, ...]:
    """The visits wished for, or drawn by rate, in order of their start."""
    for_requests, for_acts = (np.random.default_rng(part) for part in seed.spawn(2))
    if settings.visits is None:
        requests = _draw_requests(settings, layout, for_requests)
    else:
        requests = sorted(settings.visits, key=lambda request: request.start_s)
    visits: list[PlannedVisit] = []
    for number, request in enumerate(requests):
        visit = _plan_one(number, request, settings, layout, for_acts)
        drawn = settings.visits is None
        if drawn and visits and visit.start_s < visits[-1].end_s + REST_BETWEEN_S:
            continue
        if not drawn or visit.end_s <= settings.duration_s:
            visits.append(visit)
    return tuple(visits)


def _draw_requests(
    settings: GardenSettings, layout: Layout, rng: np.random.Generator
) -> list[RequestedVisit]:
    requests: list[RequestedVisit] = []
    if settings.visits_per_min <= 0.0 or not settings.species:
        return requests
    at_s = 0.0
    while at_s < settings.duration_s:
        at_s += float(rng.exponential(60.0 / settings.visits_per_min))
        species = settings.species[int(rng.integers(len(settings.species)))]
        on_feeder = SPECIES[species].on_feeder and bool(layout.perches) and rng.random() < 0.7
        edge = reach_px(SPECIES[species]) / DESIGN_WIDTH
        place = float(rng.uniform(edge, 1.0 - edge))
        if on_feeder:
            place = float(rng.integers(len(layout.perches)))
        requests.append(
            RequestedVisit(
                species=species,
                start_s=at_s,
                stay_s=float(rng.uniform(4.0, 18.0)),
                on_feeder=on_feeder,
                place=place,
                depth=float(rng.uniform(0.35, 0.85)),
                enters=int(rng.choice([-1, 1])),
            )
        )
    return requests


def _plan_one(
    number: int, request: RequestedVisit, settings: GardenSettings, layout: Layout, rng: np.random.Generator
) -> PlannedVisit:
    kind = SPECIES[request.species]
    if request.on_feeder and not (layout.perches and kind.on_feeder):
        raise ValueError(f"a {kind.name} cannot perch on this garden's feeder ({layout.feeder.value})")
    leaves = request.enters if rng.random() < 0.4 else -request.enters
    perch = int(request.place) % len(layout.perches) if request.on_feeder else 0
    x = layout.pivot[0] + layout.perches[perch].across if request.on_feeder else request.place * DESIGN_WIDTH
    settled_s = request.start_s + _way_px(kind, x, request.enters) / _pace(kind)
    leaving_s = settled_s + request.stay_s
    acts = _draw_acts(request, x, (settled_s, leaving_s), rng)
    return PlannedVisit(
        number=number,
        species=kind.name,
        group=kind.group,
        start_s=request.start_s,
        settled_s=settled_s,
        leaving_s=leaving_s,
        end_s=leaving_s + _way_px(kind, acts[-1].x_to, leaves) / _pace(kind),
        on_feeder=request.on_feeder,
        perch=perch,
        enters=request.enters,
        leaves=leaves,
        air_y=settings.design_height * float(rng.uniform(0.12, 0.45)),
        ground_y=layout.horizon + (settings.design_height - layout.horizon) * request.depth,
        acts=acts,
    )


def _pace(kind: Species) -> float:
    return FLIGHT_PX_PER_S if kind.flies else kind.pace_px_per_s


def reach_px(kind: Species) -> float:
    """How far the animal reaches to either side of its foot point, with a little room."""
    return float(np.abs(load_sprite(kind.name).outline[:, 0]).max()) + 6.0


def edge_x(kind: Species, side: int) -> float:
    """Where the foot point is when the visitor is just out of the picture on `side`."""
    reach = reach_px(kind)
    return -reach if side < 0 else DESIGN_WIDTH + reach


def _way_px(kind: Species, x: float, side: int) -> float:
    return abs(x - edge_x(kind, side))


def _draw_acts(
    request: RequestedVisit, x: float, stay: tuple[float, float], rng: np.random.Generator
) -> tuple[Act, ...]:
    """What it does from the start to the end of its `stay`, without a gap, beginning at `x`."""
    start_s, end_s = stay
    pace = SPECIES[request.species].pace_px_per_s
    edge = reach_px(SPECIES[request.species])
    acts: list[Act] = []
    facing = -request.enters
    if request.on_feeder:
        facing = 1 if rng.random() < 0.5 else -1
    at_s = start_s
    while at_s < end_s:
        until_s = min(end_s, at_s + float(rng.uniform(0.7, 2.4)))
        choice = rng.random()
        to_x = x
        if choice < 0.4:
            what = "peck"
        elif choice < 0.7 or request.on_feeder:
            what = "look"
            facing = -facing if rng.random() < 0.4 else facing
        else:
            what = "step"
            facing = -facing if rng.random() < 0.25 else facing
            step_px = facing * min(pace * (until_s - at_s) * 0.5, float(rng.uniform(18, 70)))
            to_x = min(DESIGN_WIDTH - edge, max(edge, x + step_px))
            facing = facing if to_x == x else (1 if to_x > x else -1)
        acts.append(Act(at_s, until_s, what, facing, x, to_x))
        at_s, x = until_s, to_x
    return tuple(acts)
