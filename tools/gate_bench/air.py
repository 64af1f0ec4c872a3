"""Made-up wind for the warped clips: a slow wander, eddies, and gusts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]


def wander(rng: np.random.Generator, count: int, dt_s: float, memory_s: float) -> Series:
    """Ornstein-Uhlenbeck noise of unit variance (exact steps: Gillespie, Phys. Rev. E 54, 1996)."""
    keep = float(np.exp(-dt_s / memory_s))
    kicks = rng.standard_normal(count) * np.sqrt(1 - keep * keep)
    out = np.empty(count)
    value = float(rng.standard_normal())
    for i, kick in enumerate(kicks.tolist()):
        value = keep * value + kick
        out[i] = value
    return out


def wind(rng: np.random.Generator, count: int, dt_s: float, mean: float, gusts_per_min: float) -> Series:
    """Wind in arbitrary units, 1 being a strong breeze; gusts double it or more."""
    out = mean * (1 + 0.35 * wander(rng, count, dt_s, 6.0) + 0.2 * wander(rng, count, dt_s, 0.8))
    at_s = float(rng.exponential(60 / max(gusts_per_min, 1e-6)))
    times = np.arange(count) * dt_s
    while at_s < count * dt_s:
        peak, width = mean * rng.uniform(0.5, 1.6), rng.uniform(1.0, 4.0)
        since = times - at_s
        shape = np.where(since < 0, np.exp(-((since / (0.4 * width)) ** 2)), np.exp(-((since / width) ** 2)))
        out += peak * shape
        at_s += 2.0 + float(rng.exponential(60 / gusts_per_min))
    return np.maximum(out, 0.0)


def swing(
    rng: np.random.Generator, force: NDArray[np.float64], hertz: float, damping: float, dt_s: float
) -> Series:
    """A damped oscillator of natural frequency `hertz`, driven by `force` (where it would rest).

    Ten semi-implicit Euler steps per sample.
    """
    stiffness = (2 * np.pi * hertz) ** 2
    drag = 2 * damping * 2 * np.pi * hertz
    place, speed, small = float(force[0]), 0.0, dt_s / 10
    kicks = rng.standard_normal((len(force), 10)) * np.sqrt(2 * drag * stiffness * small)
    out = np.empty(len(force))
    for i, (toward, row) in enumerate(zip(force.tolist(), kicks.tolist(), strict=True)):
        size = abs(toward) * 0.6
        for kick in row:
            speed += (stiffness * (toward - place) - drag * speed) * small + size * kick
            place += speed * small
        out[i] = place
    return out
