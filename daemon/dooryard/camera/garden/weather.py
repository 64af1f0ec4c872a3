"""Wind with gusts, and clouds that pass: drawn once for the whole afternoon, in steps of STEP_S."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dooryard.camera.garden.settings import STEP_S, GardenSettings

Series = NDArray[np.float64]  # (N,), one value per step of the physics

SLOW_EDDY_S = 4.0  # correlation time of the wind's slow changes
FAST_EDDY_S = 0.4  # and of the small eddies that shake a feeder
SLOW_SHARE = 0.28  # deviation of the slow changes as a share of the mean speed
FAST_SHARE = 0.22
CLOUD_S = 14.0  # correlation time of the cloud cover


@dataclass(frozen=True, slots=True)
class Gust:
    """Wind that rises to a peak and dies down. Times in seconds from the start."""

    start_s: float
    peak_s: float
    end_s: float
    extra_m_s: float  # speed at the peak above the mean wind

    def speed_m_s(self, times_s: Series) -> Series:
        """Extra speed at each time: a raised cosine up, and a slower one down."""
        rise = np.clip((times_s - self.start_s) / (self.peak_s - self.start_s), 0.0, 1.0)
        fall = np.clip((times_s - self.peak_s) / (self.end_s - self.peak_s), 0.0, 1.0)
        shape = (0.5 - 0.5 * np.cos(math.pi * rise)) * (0.5 + 0.5 * np.cos(math.pi * fall))
        return np.asarray(self.extra_m_s * shape)


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """The air and the light, one value per step of the physics."""

    gusts: tuple[Gust, ...]
    wind_m_s: Series  # speed
    across_m_s: Series  # its part along the picture, positive to the right
    sun: Series  # 0 behind a cloud .. 1 full
    cloud_px: Series  # how far the cloud shadows have drifted


def draw_gusts(settings: GardenSettings, rng: np.random.Generator) -> tuple[Gust, ...]:
    """Gusts at random times, at least two seconds of rest between them."""
    gusts: list[Gust] = []
    if settings.gusts_per_min <= 0.0 or settings.gust_m_s <= 0.0:
        return ()
    mean_gap_s = 60.0 / settings.gusts_per_min
    rest_s = min(2.0, 0.2 * mean_gap_s)
    at_s = float(rng.exponential(0.5 * mean_gap_s))
    while at_s < settings.duration_s:
        peak_s = at_s + float(rng.uniform(0.8, 2.0))
        end_s = peak_s + float(rng.uniform(1.5, 4.0))
        gusts.append(Gust(at_s, peak_s, end_s, settings.gust_m_s * float(rng.uniform(0.65, 1.45))))
        length_s = end_s - at_s
        at_s = end_s + rest_s + float(rng.exponential(max(0.5, mean_gap_s - length_s - rest_s)))
    return tuple(gusts)


def wandering(rng: np.random.Generator, count: int, memory_s: float) -> Series:
    """Ornstein-Uhlenbeck noise of unit variance: exact steps of STEP_S, correlation time `memory_s`.

    Exact discretisation: Gillespie, Phys. Rev. E 54 (1996) 2084.
    """
    keep = math.exp(-STEP_S / memory_s)
    kicks = (rng.standard_normal(count) * math.sqrt(1.0 - keep * keep)).tolist()
    value = float(rng.standard_normal())
    out = np.empty(count)
    for i, kick in enumerate(kicks):
        value = keep * value + kick
        out[i] = value
    return out


def draw_weather(settings: GardenSettings, seed: np.random.SeedSequence) -> Weather:
    """The whole afternoon's weather; from `seed` alone, whatever the picture's size or rate."""
    count = int(settings.duration_s / STEP_S) + 2
    times_s: Series = np.arange(count, dtype=np.float64) * STEP_S
    for_gusts, for_wind, for_sky = (np.random.default_rng(part) for part in seed.spawn(3))
    gusts = draw_gusts(settings, for_gusts)
    mean = settings.wind_m_s
    wind = mean * (1.0 + SLOW_SHARE * wandering(for_wind, count, SLOW_EDDY_S))
    eddies = wandering(for_wind, count, FAST_EDDY_S)
    for gust in gusts:
        first, last = int(gust.start_s / STEP_S), int(gust.end_s / STEP_S) + 1
        wind[first:last] += gust.speed_m_s(times_s[first:last])
    wind = np.maximum(0.0, wind * (1.0 + FAST_SHARE * eddies))
    heading = for_wind.uniform(-0.5, 0.5) + (math.pi if for_wind.random() < 0.5 else 0.0)
    direction = heading + 0.5 * wandering(for_wind, count, SLOW_EDDY_S)
    cover = wandering(for_sky, count, CLOUD_S)
    clear = np.clip(0.5 + 0.9 * cover, 0.0, 1.0)
    sun = clear * clear * (3.0 - 2.0 * clear)
    return Weather(
        gusts=gusts,
        wind_m_s=wind,
        across_m_s=wind * np.cos(direction),
        sun=1.0 - settings.clouds * (1.0 - sun),
        cloud_px=np.cumsum(4.0 + 2.5 * wind) * STEP_S,
    )
