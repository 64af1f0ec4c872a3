"""The afternoon as a plan: everything that happens, known without drawing a picture."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from dooryard.camera.garden import daylight
from dooryard.camera.garden.layout import draw_layout
from dooryard.camera.garden.poses import Activity, Pose, pose_at
from dooryard.camera.garden.settings import DESIGN_WIDTH, STEP_S, GardenSettings
from dooryard.camera.garden.sprites import load_sprite, placed_points
from dooryard.camera.garden.sway import (
    Push,
    Sway,
    landing_push,
    shake_camera,
    sway_leaves,
    swing_feeder,
)
from dooryard.camera.garden.visits import PlannedVisit, plan_visits
from dooryard.camera.garden.weather import Gust, Weather, draw_weather
from dooryard.core.records import Box

DIFFUSE_SHARE = 0.35  # of the daylight that is left behind a thick cloud


@dataclass(frozen=True, slots=True)
class VisibleVisitor:
    """A visitor in the picture: the truth about it."""

    visit: int  # number of its PlannedVisit
    species: str
    group: str
    state: Activity
    box: Box  # around what of it is inside the picture, camera shake included
    visible: float  # share of the animal inside the picture; leaves in front of it are not counted


@dataclass(frozen=True, slots=True)
class GardenScene:
    """The state of the garden at one frame."""

    number: int
    time_s: float  # from the start
    wind_m_s: float
    in_gust: bool
    sun: float  # 0 behind a cloud .. 1 full
    sun_height_deg: float
    cloud_px: float  # how far the cloud shadows have drifted
    feeder_rad: float
    leaves_px: tuple[float, ...]
    shake_px: tuple[float, float]
    brightness: float  # linear, 1.0 = exposed as it should be
    exposure_s: float
    gain: float
    poses: tuple[tuple[PlannedVisit, Pose], ...]
    present: tuple[VisibleVisitor, ...]


class GardenPlan:
    """Weather, movements, light and visits of one scene, drawn once from its settings.

    Deterministic for (seed, settings); any frame's `scene` can be asked for in any order.
    """

    def __init__(self, settings: GardenSettings) -> None:
        self.settings = settings
        parts = np.random.SeedSequence(settings.seed).spawn(4)
        self.layout = draw_layout(settings, parts[0])
        self.visits = plan_visits(settings, self.layout, parts[1])
        self.weather = draw_weather(settings, parts[2])
        self.sway = self._draw_sway(parts[3], self.weather)
        heights = [self._sun_height_deg(time_s) for time_s in (0.0, settings.duration_s)]
        count = len(self.weather.sun)
        self._heights_deg = np.linspace(heights[0], heights[1], count)
        clear = daylight.clear_sky_lux(self._heights_deg)
        self._exposure = daylight.follow(
            clear * (DIFFUSE_SHARE + (1.0 - DIFFUSE_SHARE) * self.weather.sun),
            STEP_S,
            settings.exposure_step_ev,
        )

    def generator(self, *key: int) -> np.random.Generator:
        """Random numbers that belong to `key` in this garden: the same ones at each call."""
        return np.random.default_rng(np.random.SeedSequence(self.settings.seed, spawn_key=(4, *key)))

    @property
    def gusts(self) -> tuple[Gust, ...]:
        return self.weather.gusts

    def wall(self, number: int) -> datetime:
        """When frame `number` is taken."""
        return self.settings.start + timedelta(seconds=number / self.settings.frames_per_s)

    def scene(self, number: int) -> GardenScene:
        """The state of the garden at frame `number` (0 is the first)."""
        if not 0 <= number < self.settings.frame_count:
            raise IndexError(f"frame {number} of {self.settings.frame_count}")
        time_s = number / self.settings.frames_per_s
        at = min(round(time_s / STEP_S), len(self.weather.sun) - 1)
        feeder_rad = float(self.sway.feeder_rad[at])
        shake = (float(self.sway.shake_px[at, 0]), float(self.sway.shake_px[at, 1]))
        poses = self._poses(time_s, feeder_rad)
        return GardenScene(
            number=number,
            time_s=time_s,
            wind_m_s=float(self.weather.wind_m_s[at]),
            in_gust=any(gust.start_s <= time_s < gust.end_s for gust in self.gusts),
            sun=float(self.weather.sun[at]),
            sun_height_deg=float(self._heights_deg[at]),
            cloud_px=float(self.weather.cloud_px[at]),
            feeder_rad=feeder_rad,
            leaves_px=tuple(self.sway.leaves_px[at].tolist()),
            shake_px=shake,
            brightness=float(self._exposure.brightness[at]),
            exposure_s=float(self._exposure.exposure_s[at]),
            gain=float(self._exposure.gain[at]),
            poses=poses,
            present=self._presences(poses, shake),
        )

    def _sun_height_deg(self, time_s: float) -> float:
        when = self.settings.start + timedelta(seconds=time_s)
        return daylight.sun_height_deg(when, self.settings.latitude_deg, self.settings.longitude_deg)

    def _draw_sway(self, seed: np.random.SeedSequence, weather: Weather) -> Sway:
        rng = np.random.default_rng(seed)
        length_m = max(0.05, self.layout.pendulum_m)
        feeder = np.zeros(len(weather.sun))
        if self.layout.has_feeder:
            pushes = [push for visit in self.visits for push in self._pushes(visit, length_m)]
            feeder = swing_feeder(weather, length_m, pushes, self.layout.damping)
        return Sway(feeder, sway_leaves(weather, rng), shake_camera(self.settings, weather, rng))

    def _pushes(self, visit: PlannedVisit, length_m: float) -> tuple[Push, ...]:
        if not visit.on_feeder:
            return ()
        landing = landing_push(visit.kind.mass_kg, 1.5, length_m)
        return Push(visit.settled_s, -visit.enters * landing), Push(visit.leaving_s, -visit.leaves * landing)

    def _poses(self, time_s: float, feeder_rad: float) -> tuple[tuple[PlannedVisit, Pose], ...]:
        found = []
        for visit in self.visits:
            pose = pose_at(visit, time_s, self.layout, feeder_rad)
            if pose is not None:
                found.append((visit, pose))
        # The far ones first; whoever is on the feeder is in front of all.
        return tuple(sorted(found, key=lambda pair: (pair[0].on_feeder, pair[0].ground_y)))

    def _presences(
        self, poses: tuple[tuple[PlannedVisit, Pose], ...], shake: tuple[float, float]
    ) -> tuple[VisibleVisitor, ...]:
        found = []
        for visit, pose in poses:
            box, visible = self._seen(visit, pose, shake)
            if box is not None:
                found.append(
                    VisibleVisitor(visit.number, visit.species, visit.group, pose.state, box, visible)
                )
        return tuple(found)

    def _seen(self, visit: PlannedVisit, pose: Pose, shake: tuple[float, float]) -> tuple[Box | None, float]:
        """Box (relative) and visible share of one visitor, from its outline."""
        sprite = load_sprite(visit.species)
        size = np.array([DESIGN_WIDTH, self.settings.design_height])
        foot = np.array([pose.x + shake[0], pose.y + shake[1]])

        def posed(points: NDArray[np.float64]) -> NDArray[np.float64]:
            turned = placed_points(points, facing=pose.facing, tilt_deg=pose.tilt_deg, stretch=pose.stretch)
            return np.asarray((turned + foot) / size)

        outline, inside = posed(sprite.outline), posed(sprite.inside)
        low = np.clip(outline.min(axis=0), 0.0, 1.0)
        high = np.clip(outline.max(axis=0), 0.0, 1.0)
        visible = float(((inside > 0.0) & (inside < 1.0)).all(axis=1).mean())
        if visible <= 0.0 or not (low < high).all():
            return None, 0.0
        return Box(float(low[0]), float(low[1]), float(high[0]), float(high[1])), visible
