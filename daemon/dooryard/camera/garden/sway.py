"""What the wind moves: the feeder on its wire, the leaves, and the camera's own pole."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dooryard.camera.garden.settings import STEP_S, GardenSettings
from dooryard.camera.garden.weather import Series, Weather

GRAVITY_M_S2 = 9.81
PIXELS_PER_M = 520.0  # design pixels per metre at the feeder
LEAF_MODES = 6  # ways in which the leaves move; the last is their flutter
LARGEST_LEAF_PX = 11.0
LARGEST_SHAKE_PX = 9.0
# Drag on a seed tube: 0.5 rho Cd A / (m g) with rho 1.2 kg/m3, Cd 1.1 (cylinder, Hoerner 1965),
# A 0.03 m2, m 0.9 kg. Angles in radians per (m/s)^2.
DRAG_RAD = 0.5 * 1.2 * 1.1 * 0.03 / (0.9 * GRAVITY_M_S2)
LARGEST_LEAN_RAD = 0.45
FEEDER_MASS_KG = 0.9


@dataclass(frozen=True, slots=True)
class Push:
    """A bird that lands on the feeder, or leaves it: a change of the feeder's angular speed."""

    at_s: float
    rad_per_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Sway:
    """Movements, one value per step of the physics."""

    feeder_rad: Series  # positive: the feeder hangs to the right
    leaves_px: NDArray[np.float64]  # (N, LEAF_MODES)
    shake_px: NDArray[np.float64]  # (N, 2): right, down; how far the view's content is moved


def landing_push(mass_kg: float, speed_m_s: float, length_m: float) -> float:
    """Angular speed (rad/s) that a landing gives a hanging feeder; momentum is kept."""
    return mass_kg * speed_m_s / ((FEEDER_MASS_KG + mass_kg) * length_m)


def swing_feeder(weather: Weather, length_m: float, pushes: Sequence[Push], damping: float) -> Series:
    """A pendulum of `length_m` in the wind. `damping` is a share of critical damping.

    Semi-implicit Euler, which keeps a pendulum's energy bounded at this step.
    """
    stiffness = GRAVITY_M_S2 / length_m
    drag = 2.0 * damping * math.sqrt(stiffness)
    lean = DRAG_RAD * weather.across_m_s * np.abs(weather.across_m_s)
    lean = LARGEST_LEAN_RAD * np.tanh(lean / LARGEST_LEAN_RAD)
    kicks = np.zeros(len(lean))
    for push in pushes:
        index = int(push.at_s / STEP_S)
        if 0 <= index < len(kicks):
            kicks[index] += push.rad_per_s
    angle, speed = float(lean[0]), 0.0
    out = np.empty(len(lean))
    for i, (toward, kick) in enumerate(zip(lean.tolist(), kicks.tolist(), strict=True)):
        pull = stiffness * (math.sin(toward) - math.sin(angle))
        speed += (pull - drag * speed) * STEP_S + kick
        angle += speed * STEP_S
        out[i] = angle
    return out


def ring(force: NDArray[np.float64], hertz: NDArray[np.float64], damping: float) -> NDArray[np.float64]:
    """Damped oscillators, one per column of `force` (N, K), which is where each would rest."""
    stiffness = (2.0 * math.pi * hertz) ** 2
    drag = 2.0 * damping * np.sqrt(stiffness)
    place, speed = force[0].copy(), np.zeros(force.shape[1])
    out = np.empty_like(force)
    for i, toward in enumerate(force):
        speed += (stiffness * (toward - place) - drag * speed) * STEP_S
        place = place + speed * STEP_S
        out[i] = place
    return out


def sway_leaves(weather: Weather, rng: np.random.Generator) -> NDArray[np.float64]:
    """Displacement of each leaf mode in design pixels, (N, LEAF_MODES)."""
    count = len(weather.wind_m_s)
    hertz = np.append(rng.uniform(0.45, 1.6, LEAF_MODES - 1), 3.1)
    speed = weather.wind_m_s[:, None]
    unrest = rng.standard_normal((count, LEAF_MODES)) * math.sqrt(0.02 / STEP_S)
    strength = 0.05 * speed**1.5
    force = strength * 3.2 * unrest
    force[:, 0] += 0.035 * weather.across_m_s * np.abs(weather.across_m_s)
    force[:, -1] *= 0.55
    moved = ring(force, hertz, damping=0.12)
    return LARGEST_LEAF_PX * np.tanh(moved / LARGEST_LEAF_PX)


def shake_camera(settings: GardenSettings, weather: Weather, rng: np.random.Generator) -> NDArray[np.float64]:
    """Shake of the camera in design pixels, (N, 2), of deviation `camera_shake_px` in a 5 m/s wind."""
    count = len(weather.wind_m_s)
    hertz = np.array([rng.uniform(2.2, 3.6), rng.uniform(3.0, 4.5)])
    unrest = ring(rng.standard_normal((count, 2)), hertz, damping=0.05)
    unrest /= np.maximum(unrest.std(axis=0), 1e-9)
    lean = weather.across_m_s * np.abs(weather.across_m_s) / 25.0
    shake = unrest * (weather.wind_m_s[:, None] / 5.0) ** 1.5
    shake[:, 1] *= 0.5
    shake[:, 0] += 0.6 * lean
    shake *= settings.camera_shake_px
    return LARGEST_SHAKE_PX * np.tanh(shake / LARGEST_SHAKE_PX)
