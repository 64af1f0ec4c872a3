"""How light it is: the height of the sun, daylight, and a camera's exposure following it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]  # (N,), one value per step of the physics

# Illuminance on the ground by the height of the sun, clear sky; rounded figures from memory, good to a
# factor of two, which is all that a camera's exposure needs.
_HEIGHT_DEG = (-18.0, -12.0, -6.0, -3.0, 0.0, 5.0, 15.0, 30.0, 60.0, 90.0)
_LOG10_LUX = (-2.8, -2.0, 0.5, 1.8, 2.7, 3.6, 4.3, 4.7, 5.0, 5.1)
FULL_LUX = 1e5
BASE_EXPOSURE_S = 1 / 400  # at full daylight and gain 1
LONGEST_EXPOSURE_S = 1 / 25
HIGHEST_GAIN = 16.0
ADAPTING_S = 1.5  # time constant of the exposure


def sun_height_deg(when: datetime, latitude_deg: float, longitude_deg: float) -> float:
    """Height of the sun above the horizon, to about 4 degrees (no equation of time, no refraction).

    Declination by Cooper's formula (1969), as given in Duffie & Beckman, "Solar Engineering of Thermal
    Processes", eq. 1.6.1a.
    """
    utc = when.astimezone(UTC)
    day = utc.timetuple().tm_yday
    declination = math.radians(23.45 * math.sin(math.radians(360.0 * (284 + day) / 365.0)))
    hours = utc.hour + utc.minute / 60 + utc.second / 3600
    hour_angle = math.radians(15.0 * (hours - 12.0) + longitude_deg)
    latitude = math.radians(latitude_deg)
    sine = math.sin(latitude) * math.sin(declination)
    sine += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def clear_sky_lux(height_deg: Series) -> Series:
    """Illuminance under a clear sky for each height of the sun."""
    return np.asarray(10.0 ** np.interp(height_deg, _HEIGHT_DEG, _LOG10_LUX))


@dataclass(frozen=True, slots=True, eq=False)
class ExposureTrack:
    """What the camera did, per sample. `brightness` is linear, 1.0 = exposed as it should be."""

    brightness: Series
    exposure_s: Series
    gain: Series


def follow(lux: Series, step_s: float, step_ev: float) -> ExposureTrack:
    """Let a camera's exposure follow `lux`, with lag, and in steps of `step_ev` if that is above 0.

    A stepped exposure holds still until it is three quarters of a step off, then moves by whole steps.
    """
    wanted_ev = np.log2(FULL_LUX / np.maximum(lux, 1e-3))
    share = 1.0 - math.exp(-step_s / ADAPTING_S)
    applied = np.empty_like(wanted_ev)
    smooth = held = float(wanted_ev[0])
    for i, wanted in enumerate(wanted_ev.tolist()):
        smooth += (wanted - smooth) * share
        if step_ev <= 0.0:
            held = smooth
        elif abs(smooth - held) > 0.75 * step_ev:
            held += step_ev * round((smooth - held) / step_ev)
        applied[i] = held
    product_s = BASE_EXPOSURE_S * 2.0**applied
    exposure_s = np.minimum(product_s, LONGEST_EXPOSURE_S)
    gain = np.clip(product_s / exposure_s, 1.0, HIGHEST_GAIN)
    brightness = lux / FULL_LUX * exposure_s * gain / BASE_EXPOSURE_S
    return ExposureTrack(brightness=brightness, exposure_s=exposure_s, gain=gain)
