"""Named kinds of scene. Within a kind the seed varies garden, feeder, weather and visits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from dooryard.camera.garden.settings import AFTERNOON, Backdrop, Feeder, GardenSettings, RequestedVisit

_ZONE = ZoneInfo("Europe/London")
_DUSK = datetime(2026, 6, 14, 21, 42, tzinfo=_ZONE)
_MORNING = datetime(2026, 6, 14, 7, 30, tzinfo=_ZONE)
_WINTER = datetime(2026, 1, 21, 11, 40, tzinfo=_ZONE)

# What each kind changes about the standard settings. The names of winds are the Beaufort scale's
# (WMO-No. 8): calm below 0.3 m/s, breeze 1.6 to 13.8, gale from 17.2. Those hold at 10 m; at a feeder's
# height among shrubs the air is slower, so the means here are lower: common practice, no source.
_CHANGES: Mapping[str, Mapping[str, object]] = {
    "calm": {"wind_m_s": 0.4, "gusts_per_min": 0.0, "clouds": 0.1},
    "breeze": {"wind_m_s": 2.8, "gusts_per_min": 1.5, "gust_m_s": 3.0},
    "feeder on a hook": {"wind_m_s": 4.5, "gusts_per_min": 4.0, "gust_m_s": 5.0, "foliage": 0.15},
    "foliage alone": {
        "wind_m_s": 4.5,
        "gusts_per_min": 4.0,
        "gust_m_s": 5.0,
        "foliage": 1.0,
        "feeder": Feeder.NONE,
        "dapple": 0.4,
    },
    "gale": {"wind_m_s": 8.0, "gusts_per_min": 6.0, "gust_m_s": 7.0, "foliage": 0.8, "clouds": 0.6},
    "dappled light": {"wind_m_s": 3.5, "dapple": 1.0, "clouds": 0.1, "start": _MORNING},
    "rain": {"wind_m_s": 3.0, "rain": 0.8, "clouds": 0.9, "dapple": 0.0, "gusts_per_min": 2.0},
    "cloud": {"wind_m_s": 2.5, "clouds": 1.0},
    "exposure steps": {"wind_m_s": 2.0, "clouds": 1.0, "exposure_step_ev": 0.33, "gusts_per_min": 1.0},
    "dusk": {"wind_m_s": 2.0, "start": _DUSK, "clouds": 0.2, "dapple": 0.0, "gusts_per_min": 1.0},
    "bright sky": {"backdrop": Backdrop.SKY, "wind_m_s": 4.0, "gusts_per_min": 3.0, "clouds": 0.6},
    "snow": {
        "backdrop": Backdrop.SNOW,
        "start": _WINTER,
        "wind_m_s": 3.0,
        "foliage": 0.4,
        "species": ("blackbird", "pigeon", "crow", "white rabbit", "shore lark"),
    },
    "shaking pole": {"camera_shake_px": 1.6, "wind_m_s": 5.0, "gusts_per_min": 4.0, "gust_m_s": 5.0},
}
FAMILIES: tuple[str, ...] = tuple(_CHANGES)


def family(name: str, seed: int, *, duration_s: float = 120.0, **changes: object) -> GardenSettings:
    """Settings of the kind `name`. `changes` are fields of `GardenSettings` to set on top.

    Raises `ValueError` for a name that is not in `FAMILIES`.
    """
    if name not in _CHANGES:
        raise ValueError(f"there is no kind of scene {name!r}; there are {', '.join(FAMILIES)}")
    wanted = {"seed": seed, "duration_s": duration_s, **_CHANGES[name], **changes}
    return replace(GardenSettings(), **wanted)  # type: ignore[arg-type]  # a mapping of mixed fields


def alder_row_afternoon() -> GardenSettings:
    """Four and a half minutes of a gusty afternoon at Alder Row, 14 June 2026 from 14:00.

    Eight visits: birds of four species, a rabbit, a squirrel; squirrel and lark come twice.
    """
    return GardenSettings(
        seed=2026,
        start=AFTERNOON,
        duration_s=270.0,
        wind_m_s=4.6,
        gusts_per_min=4.4,
        gust_m_s=5.0,
        clouds=0.55,
        dapple=0.3,
        noise=0.3,
        camera_shake_px=0.3,
        foliage=0.7,
        feeder=Feeder.TRAY,
        backdrop=Backdrop.FENCE,
        visits=(
            RequestedVisit("grey squirrel", 38.0, 14.0, place=0.66, depth=0.66, enters=1),
            RequestedVisit("shore lark", 74.0, 13.0, on_feeder=True, place=1, enters=1),
            RequestedVisit("mallard", 104.0, 15.0, place=0.60, depth=0.72, enters=1),
            RequestedVisit("white rabbit", 138.0, 12.0, place=0.62, depth=0.60, enters=1),
            RequestedVisit("grey squirrel", 166.0, 11.0, place=0.36, depth=0.58, enters=-1),
            RequestedVisit("hen", 192.0, 13.0, place=0.62, depth=0.62, enters=1),
            RequestedVisit("shore lark", 220.0, 11.0, on_feeder=True, place=0, enters=-1),
            RequestedVisit("pigeon", 246.0, 12.0, place=0.70, depth=0.60, enters=1),
        ),
    )


PRESETS: Mapping[str, Callable[[], GardenSettings]] = {"alder row afternoon": alder_row_afternoon}
