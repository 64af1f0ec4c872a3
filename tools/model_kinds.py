"""Kinds of scene made of the simulated garden's own kinds: name -> (kind it is made of, what differs)."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from dooryard.camera.garden.settings import Backdrop

_ZONE = ZoneInfo("Europe/London")
MIXED: Mapping[str, tuple[str, Mapping[str, object]]] = {
    "gusty cloud": (
        "cloud",
        {"wind_m_s": 5.5, "gusts_per_min": 5.0, "gust_m_s": 6.0, "foliage": 0.9, "camera_shake_px": 0.7},
    ),
    "drizzle": ("calm", {"rain": 0.4, "clouds": 0.6, "wind_m_s": 2.2, "dapple": 0.0}),
    "late light": (
        "calm",
        {"start": datetime(2026, 6, 14, 21, 15, tzinfo=_ZONE), "wind_m_s": 1.5, "dapple": 0.0},
    ),
    "hedge in a squall": (
        "gale",
        {"backdrop": Backdrop.HEDGE, "rain": 0.5, "wind_m_s": 6.5, "foliage": 0.5, "clouds": 0.8},
    ),
    "orchard in the evening": (
        "breeze",
        {
            "backdrop": Backdrop.ORCHARD,
            "start": datetime(2026, 6, 14, 21, 25, tzinfo=_ZONE),
            "wind_m_s": 3.5,
            "dapple": 0.0,
            "camera_shake_px": 0.5,
        },
    ),
    "grey winter day": (
        "rain",
        {
            "start": datetime(2026, 1, 21, 14, 30, tzinfo=_ZONE),
            "rain": 0.25,
            "foliage": 0.2,
            "wind_m_s": 4.5,
            "backdrop": Backdrop.FENCE,
        },
    ),
    "sunny on a loose pole": (
        "shaking pole",
        {"dapple": 0.9, "clouds": 0.7, "exposure_step_ev": 0.25, "backdrop": Backdrop.ORCHARD},
    ),
    "autumn drizzle": (
        "rain",
        {
            "start": datetime(2026, 10, 24, 15, 5, tzinfo=_ZONE),
            "rain": 0.35,
            "backdrop": Backdrop.HEDGE,
            "wind_m_s": 2.0,
            "foliage": 0.5,
        },
    ),
    "mottled morning": (
        "dappled light",
        {"backdrop": Backdrop.HEDGE, "wind_m_s": 4.5, "gusts_per_min": 3.0, "foliage": 1.0},
    ),
    "storm at the fence": (
        "gale",
        {"backdrop": Backdrop.FENCE, "rain": 0.7, "clouds": 1.0, "camera_shake_px": 0.8, "foliage": 0.3},
    ),
    "hazy evening": (
        "breeze",
        {
            "start": datetime(2026, 8, 20, 20, 5, tzinfo=_ZONE),
            "clouds": 0.9,
            "dapple": 0.0,
            "wind_m_s": 1.5,
            "exposure_step_ev": 0.2,
        },
    ),
    "snow shower": ("snow", {"rain": 0.3, "wind_m_s": 5.0, "gusts_per_min": 3.0, "clouds": 0.9}),
    "cloudy orchard": (
        "cloud",
        {
            "backdrop": Backdrop.ORCHARD,
            "wind_m_s": 5.0,
            "gusts_per_min": 4.0,
            "gust_m_s": 5.0,
            "foliage": 0.8,
        },
    ),
    "windy fence at noon": (
        "breeze",
        {
            "start": datetime(2026, 5, 9, 12, 10, tzinfo=_ZONE),
            "backdrop": Backdrop.FENCE,
            "wind_m_s": 4.5,
            "dapple": 0.35,
            "foliage": 0.4,
        },
    ),
    "first light in the orchard": (
        "dusk",
        {
            "start": datetime(2026, 4, 18, 5, 45, tzinfo=_ZONE),
            "backdrop": Backdrop.ORCHARD,
            "wind_m_s": 1.2,
            "clouds": 0.4,
        },
    ),
    "wet hedge": (
        "rain",
        {
            "start": datetime(2026, 9, 12, 16, 40, tzinfo=_ZONE),
            "backdrop": Backdrop.HEDGE,
            "rain": 0.55,
            "wind_m_s": 4.5,
            "gusts_per_min": 3.0,
        },
    ),
    "snow in the sun": (
        "snow",
        {"start": datetime(2026, 2, 3, 12, 20, tzinfo=_ZONE), "clouds": 0.15, "dapple": 0.4, "wind_m_s": 2.0},
    ),
    "gusts under broken cloud": (
        "feeder on a hook",
        {"clouds": 0.9, "exposure_step_ev": 0.25, "foliage": 0.5, "gusts_per_min": 5.0},
    ),
    "sky over a loose pole": (
        "bright sky",
        {"clouds": 1.0, "wind_m_s": 6.0, "camera_shake_px": 1.2, "foliage": 0.7},
    ),
    "rain on the orchard": (
        "rain",
        {
            "start": datetime(2026, 5, 20, 10, 15, tzinfo=_ZONE),
            "backdrop": Backdrop.ORCHARD,
            "rain": 0.6,
            "wind_m_s": 3.0,
            "foliage": 0.8,
            "clouds": 0.7,
        },
    ),
    "frosty morning": (
        "snow",
        {
            "start": datetime(2026, 12, 30, 9, 10, tzinfo=_ZONE),
            "backdrop": Backdrop.HEDGE,
            "clouds": 0.5,
            "wind_m_s": 1.0,
            "dapple": 0.2,
        },
    ),
    "gale in a low sun": (
        "gale",
        {
            "start": datetime(2026, 10, 11, 17, 20, tzinfo=_ZONE),
            "backdrop": Backdrop.ORCHARD,
            "dapple": 0.7,
            "camera_shake_px": 0.6,
        },
    ),
    "exposure steps under cloud": (
        "exposure steps",
        {"backdrop": Backdrop.FENCE, "wind_m_s": 4.0, "clouds": 0.8, "foliage": 0.7},
    ),
    "late hook in the wind": (
        "feeder on a hook",
        {"start": datetime(2026, 6, 27, 21, 20, tzinfo=_ZONE), "wind_m_s": 5.0, "dapple": 0.0},
    ),
    "hedge in gusts": (
        "breeze",
        {
            "backdrop": Backdrop.HEDGE,
            "wind_m_s": 6.5,
            "gusts_per_min": 6.0,
            "foliage": 1.0,
            "rain": 0.2,
            "clouds": 0.5,
        },
    ),
}
