"""Where a visitor is at a moment, and how it holds itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from dooryard.camera.garden.layout import Layout, Perch
from dooryard.camera.garden.visits import Act, PlannedVisit, edge_x

WING_BEATS_HZ = 6.0


class Activity(StrEnum):
    """What a visitor is doing, as a person would say it."""

    ARRIVING = "arriving"
    PERCHED = "perched"
    ON_GROUND = "on the ground"
    LEAVING = "leaving"


@dataclass(frozen=True, slots=True)
class Pose:
    """A visitor at a moment. Foot point in design pixels, before camera shake."""

    x: float
    y: float
    facing: int  # +1 looks to the right
    tilt_deg: float  # anticlockwise as seen
    stretch: tuple[float, float]
    speed: tuple[float, float]  # design pixels per second; right, down
    state: Activity


def perch_point(perch: Perch, layout: Layout, feeder_rad: float) -> tuple[float, float]:
    """Where the perch is when the feeder hangs `feeder_rad` to the right."""
    cosine, sine = math.cos(feeder_rad), math.sin(feeder_rad)
    x = layout.pivot[0] + perch.across * cosine + perch.down * sine
    y = layout.pivot[1] - perch.across * sine + perch.down * cosine
    return x, y


def pose_at(visit: PlannedVisit, time_s: float, layout: Layout, feeder_rad: float) -> Pose | None:
    """The visitor's pose, or None before it comes and after it is gone."""
    if not visit.start_s <= time_s < visit.end_s:
        return None
    act = _act_at(visit, time_s)
    foot = (act.x_from, visit.ground_y)
    if visit.on_feeder:
        foot = perch_point(layout.perches[visit.perch], layout, feeder_rad)
    if time_s < visit.settled_s:
        share = (time_s - visit.start_s) / (visit.settled_s - visit.start_s)
        return _under_way(visit, time_s, foot, share, arriving=True)
    if time_s >= visit.leaving_s:
        foot = foot if visit.on_feeder else (visit.acts[-1].x_to, visit.ground_y)
        share = (time_s - visit.leaving_s) / (visit.end_s - visit.leaving_s)
        return _under_way(visit, time_s, foot, 1.0 - share, arriving=False)
    return _staying(visit, act, time_s, foot, feeder_rad)


def _act_at(visit: PlannedVisit, time_s: float) -> Act:
    for act in visit.acts:
        if time_s < act.end_s:
            return act
    return visit.acts[-1]


def _under_way(
    visit: PlannedVisit, time_s: float, foot: tuple[float, float], nearness: float, *, arriving: bool
) -> Pose:
    """On the way between the edge (`nearness` 0) and `foot` (1)."""
    side = visit.enters if arriving else visit.leaves
    outside = edge_x(visit.kind, side)
    lasts_s = visit.settled_s - visit.start_s if arriving else visit.end_s - visit.leaving_s
    x = outside + (foot[0] - outside) * nearness
    along = (foot[0] - outside) / lasts_s * (1 if arriving else -1)
    facing = 1 if along > 0 else -1
    state = Activity.ARRIVING if arriving else Activity.LEAVING
    if not visit.kind.flies:
        y = foot[1] - visit.kind.bound_px * abs(math.sin(math.pi * x / 46.0))
        rock = 4.0 * math.sin(2.0 * math.pi * x / 46.0) * min(1.0, visit.kind.bound_px / 6.0)
        return Pose(x, y, facing, rock, (1.0, 1.0), (along, 0.0), state)
    y = visit.air_y + (foot[1] - visit.air_y) * nearness**1.6
    down = (foot[1] - visit.air_y) / lasts_s * (1 if arriving else -1)
    beat = math.sin(2.0 * math.pi * WING_BEATS_HZ * time_s + visit.number)
    tilt = -facing * math.degrees(math.atan2(down, abs(along))) * 0.5
    return Pose(x, y, facing, max(-30.0, min(30.0, tilt)), (1.05, 0.82 + 0.16 * beat), (along, down), state)


def _staying(
    visit: PlannedVisit, act: Act, time_s: float, foot: tuple[float, float], feeder_rad: float
) -> Pose:
    share = (time_s - act.start_s) / (act.end_s - act.start_s)
    x, y = foot
    tilt, speed_x = 0.0, 0.0
    if act.kind == "peck":
        tilt = -act.facing * 13.0 * math.sin(math.pi * share) ** 2
    elif act.kind == "step":
        x = act.x_from + (act.x_to - act.x_from) * share
        speed_x = (act.x_to - act.x_from) / (act.end_s - act.start_s)
        y -= min(6.0, visit.kind.bound_px) * abs(math.sin(math.pi * 3.0 * share))
    breath = 1.0 + 0.01 * math.sin(5.0 * time_s)
    if visit.on_feeder:
        tilt += 0.7 * math.degrees(feeder_rad)
    state = Activity.PERCHED if visit.on_feeder else Activity.ON_GROUND
    return Pose(x, y, act.facing, tilt, (1.0, breath), (speed_x, 0.0), state)
