"""The families of scenes, and which of them anything was tuned on.

Development families: every constant of the gate and of its judge was set while looking at these, and the
peers' settings are chosen on them. Held-out families: never looked at while tuning. They share neither
weather nor seed with the development ones. `GARDEN_FRESH` is for the last word: drawn when the gate was
finished. `GARDEN_SECOND` and `GARDEN_THIRD` were that once, for earlier gates.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from dooryard.camera import garden
from dooryard.camera.garden.settings import Backdrop, Feeder
from gate_bench.clip import Clip
from gate_bench.garden_clips import garden_clip
from gate_bench.warped import warped_clip
from gate_bench.warped_parts import Scene, Weather

# kind of garden scene -> class that the goals are set for
GARDEN_DEVELOPMENT = {"breeze": "breeze", "feeder on a hook": "wind", "cloud": "cloud", "rain": "rain"}
GARDEN_HELD_OUT = {
    "calm": "calm",
    "foliage alone": "wind",
    "gale": "gale",
    "dappled light": "dapple",
    "exposure steps": "exposure",
    "dusk": "dusk",
    "bright sky": "wind",
    "snow": "wind",
    "shaking pole": "shake",
}
_ZONE = ZoneInfo("Europe/London")
_EARLY = datetime(2026, 5, 9, 8, 10, tzinfo=_ZONE)
_AUTUMN = datetime(2026, 10, 17, 13, 20, tzinfo=_ZONE)
_LITTLE = {"species": ("little lark", "little blackbird", "shore lark")}  # 36, 27 and 59 px of 320
# Once a second held-out set. What it showed led to the patterns of the wind (gate/modes.py), so it and
# three gales and breezes beside it are development families now.
# name -> (class, kind that it is made from, changes)
GARDEN_SECOND: dict[str, tuple[str, str, dict[str, Any]]] = {
    "still air": (
        "calm",
        "calm",
        {"wind_m_s": 0.2, "clouds": 0.4, "backdrop": Backdrop.HEDGE, "noise": 0.6, "foliage": 0.9},
    ),
    "fresh breeze": (
        "breeze",
        "breeze",
        {
            "wind_m_s": 3.6,
            "gusts_per_min": 3.0,
            "gust_m_s": 4.0,
            "feeder": Feeder.CAGE,
            "backdrop": Backdrop.ORCHARD,
            "dapple": 0.5,
            "camera_shake_px": 0.5,
            "start": datetime(2026, 9, 20, 8, 30, tzinfo=_ZONE),
        },
    ),
    "orchard gale": (
        "gale",
        "gale",
        {
            "wind_m_s": 9.0,
            "gusts_per_min": 7.0,
            "gust_m_s": 8.0,
            "feeder": Feeder.TUBE,
            "backdrop": Backdrop.ORCHARD,
            "foliage": 1.0,
            "camera_shake_px": 0.4,
        },
    ),
    "broken cloud": (
        "cloud",
        "cloud",
        {"wind_m_s": 4.0, "dapple": 0.5, "backdrop": Backdrop.HEDGE, "feeder": Feeder.TRAY, "noise": 0.5},
    ),
    "drizzle": (
        "rain",
        "rain",
        {"wind_m_s": 1.5, "rain": 0.4, "clouds": 0.7, "foliage": 1.0, "feeder": Feeder.TRAY, "noise": 0.5},
    ),
    "large steps": (
        "exposure",
        "exposure steps",
        {"exposure_step_ev": 0.5, "wind_m_s": 3.0, "feeder": Feeder.CAGE, "backdrop": Backdrop.ORCHARD},
    ),
    "hedge gale": (
        "gale",
        "gale",
        {
            "wind_m_s": 7.0,
            "gusts_per_min": 5.0,
            "gust_m_s": 8.0,
            "feeder": Feeder.CAGE,
            "backdrop": Backdrop.HEDGE,
            "foliage": 0.6,
            "noise": 0.4,
            "camera_shake_px": 0.6,
        },
    ),
    "fence gale": (
        "gale",
        "gale",
        {
            "wind_m_s": 9.5,
            "gusts_per_min": 4.0,
            "gust_m_s": 6.0,
            "feeder": Feeder.TRAY,
            "backdrop": Backdrop.FENCE,
            "foliage": 0.9,
            "dapple": 0.4,
        },
    ),
    "breeze on a hook": ("breeze", "feeder on a hook", {"feeder": Feeder.TUBE, "noise": 0.4}),
}
# The last word on an earlier gate. What it showed (rare gusts at a calm place) led to two more signs of the
# wind (gate/shape.py), so it is a development set now.
GARDEN_THIRD: dict[str, tuple[str, str, dict[str, Any]]] = {
    "quiet morning": ("calm", "calm", {"wind_m_s": 0.3, "clouds": 0.2, "noise": 0.4, "start": _EARLY}),
    "blustery noon": (
        "breeze",
        "breeze",
        {"wind_m_s": 3.2, "gusts_per_min": 2.5, "gust_m_s": 4.5, "clouds": 0.5, "dapple": 0.4},
    ),
    "autumn gale": (
        "gale",
        "gale",
        {
            "wind_m_s": 8.5,
            "gusts_per_min": 5.0,
            "gust_m_s": 7.5,
            "foliage": 0.7,
            "camera_shake_px": 0.5,
            "start": _AUTUMN,
        },
    ),
    "racing cloud": ("cloud", "cloud", {"wind_m_s": 3.5, "dapple": 0.3, "noise": 0.4}),
    "shower": ("rain", "rain", {"wind_m_s": 2.5, "rain": 0.6, "noise": 0.4}),
    "stepping light": ("exposure", "exposure steps", {"exposure_step_ev": 0.4, "wind_m_s": 2.5}),
}
# The last word: held out, drawn once the gate was finished. Each clip has a garden, a backdrop and a feeder
# of its own, by its seed; other wind, light and noise than any family above; small birds.
GARDEN_FRESH: dict[str, tuple[str, str, dict[str, Any]]] = {
    "grey morning": ("calm", "calm", {"wind_m_s": 0.4, "clouds": 0.9, "noise": 0.5, "start": _EARLY}),
    "lively breeze": (
        "breeze",
        "breeze",
        {"wind_m_s": 3.0, "gusts_per_min": 3.5, "gust_m_s": 3.5, "dapple": 0.3, "foliage": 0.8},
    ),
    "equinox gale": (
        "gale",
        "gale",
        {"wind_m_s": 8.0, "gusts_per_min": 6.0, "gust_m_s": 8.0, "foliage": 0.8, "camera_shake_px": 0.4},
    ),
    "patchy cloud": ("cloud", "cloud", {"wind_m_s": 3.0, "dapple": 0.4, "noise": 0.3, "start": _AUTUMN}),
    "steady rain": ("rain", "rain", {"wind_m_s": 2.0, "rain": 0.8, "noise": 0.4, "foliage": 0.9}),
    "jumping exposure": (
        "exposure",
        "exposure steps",
        {"exposure_step_ev": 0.45, "wind_m_s": 3.0, "gusts_per_min": 2.0},
    ),
}
WARPED_DEVELOPMENT: dict[str, tuple[str, Weather]] = {
    "warped calm": ("calm", Weather(wind=0.1, noise=2.0)),
    "warped breeze": ("breeze", Weather(wind=0.45)),
    "warped gale": ("gale", Weather(wind=1.1, gusts_per_min=5, bend_px=4)),
    "warped cloud": ("cloud", Weather(wind=0.3, shadow=0.4)),
    "warped exposure": ("exposure", Weather(wind=0.3, exposure=0.8)),
    "warped rain": ("rain", Weather(wind=0.4, rain=0.7)),
    "warped dapple": ("dapple", Weather(wind=0.5, dapple=0.35)),
}
WARPED_HELD_OUT: dict[str, tuple[str, Weather]] = {
    "warped leaves alone": ("wind", Weather(wind=0.8, gusts_per_min=4, hanging=False)),
    "warped wet gale": ("gale", Weather(wind=0.9, gusts_per_min=6, rain=0.5)),
    "warped shaking pole": ("shake", Weather(wind=0.7, shake_px=1.5)),
    "warped dusk": ("dusk", Weather(wind=0.4, dusk=True, noise=4.0)),
    "warped clouded breeze": ("cloud", Weather(wind=0.5, shadow=0.3, exposure=0.3)),
}
HELD_OUT = frozenset(GARDEN_HELD_OUT) | frozenset(GARDEN_FRESH) | frozenset(WARPED_HELD_OUT)


@dataclass(frozen=True, slots=True)
class Amount:
    """Minutes to draw for each family. A clip is at most `clip_min` long, each with a seed of its own."""

    empty_min: float
    visited_min: float
    gale_empty_min: float
    fresh_empty_min: float
    fresh_visited_min: float
    clip_min: float = 30.0


QUICK = Amount(
    empty_min=2.0,
    visited_min=3.0,
    gale_empty_min=4.0,
    fresh_empty_min=2.0,
    fresh_visited_min=3.0,
    clip_min=8.0,
)
FULL = Amount(
    empty_min=35.0, visited_min=25.0, gale_empty_min=305.0, fresh_empty_min=305.0, fresh_visited_min=48.0
)


def all_clips(amount: Amount, stills: list[Path], only: frozenset[str] | None = None) -> list[Clip]:
    """Every clip of the bench, or those of the families in `only`."""
    out: list[Clip] = []
    for name, wind in (GARDEN_DEVELOPMENT | GARDEN_HELD_OUT).items():
        if only is None or name in only:
            out += _garden(name, wind, amount)
    for seed, families in ((900, GARDEN_SECOND), (3100, GARDEN_THIRD), (5200, GARDEN_FRESH)):
        for name, (wind, kind, changes) in families.items():
            if only is None or name in only:
                out += _changed(name, wind, kind, changes, amount, seed)
    for name, (wind, weather) in (WARPED_DEVELOPMENT | WARPED_HELD_OUT).items():
        if only is None or name in only:
            out += _warped(name, wind, weather, amount, stills)
    return out


def _lengths(total_min: float, longest_min: float) -> list[float]:
    """`total_min` in equal clips of at most `longest_min`, without what warming up takes."""
    count = max(1, round(total_min / longest_min + 0.499))
    return [total_min / count + 2.0] * count


def _empty_min(wind: str, amount: Amount) -> float:
    return amount.gale_empty_min if wind == "gale" else amount.empty_min


def _garden(name: str, wind: str, amount: Amount) -> list[Clip]:
    base = 100 if name in HELD_OUT else 500
    empty = _lengths(_empty_min(wind, amount), amount.clip_min)
    visited = _lengths(amount.visited_min, amount.clip_min)
    return [
        garden_clip(f"{name} empty {i}", name, wind, base + i, minutes, 0.0)
        for i, minutes in enumerate(empty)
    ] + [
        garden_clip(f"{name} visited {i}", name, wind, base + 50 + i, minutes, 1.2)
        for i, minutes in enumerate(visited)
    ]


def _changed(
    name: str, wind: str, kind: str, changes: dict[str, Any], amount: Amount, seed: int
) -> list[Clip]:
    return [
        garden_clip(f"{name} empty {i}", kind, wind, seed + i, minutes, 0.0, family_name=name, **changes)
        for i, minutes in enumerate(_lengths(amount.fresh_empty_min, amount.clip_min))
    ] + [
        garden_clip(
            f"{name} visited {i}",
            kind,
            wind,
            seed + 50 + i,
            minutes,
            1.2,
            family_name=name,
            **(changes | _LITTLE),
        )
        for i, minutes in enumerate(_lengths(amount.fresh_visited_min, amount.clip_min))
    ]


def _warped(name: str, wind: str, weather: Weather, amount: Amount, stills: list[Path]) -> list[Clip]:
    """Without stills all pictures are painted; with some, the first half serves development."""
    half = stills[: len(stills) // 2] if name not in HELD_OUT else stills[len(stills) // 2 :]
    pictures: list[Path | None] = [None, *half]
    base = 20_000 if name in HELD_OUT else 10_000
    base += 37 * sum(map(ord, name))
    # The 5 h of gale come from the garden, which is drawn faster.
    plan = [(0.0, minutes) for minutes in _lengths(amount.empty_min / 2, amount.clip_min / 2)]
    plan += [(1.6, minutes) for minutes in _lengths(amount.visited_min, amount.clip_min / 2)]
    out = []
    for number, (rate, minutes) in enumerate(plan):
        scene = Scene(
            seed=base + number,
            weather=weather,
            minutes=minutes,
            still=pictures[number % len(pictures)],
            visits_per_min=rate,
            sprites=sprites(),
        )
        out.append(warped_clip(f"{name} {'visited' if rate else 'empty'} {number}", name, wind, scene))
    return out


def sprites() -> tuple[Path, ...]:
    """The garden's visitors, as cut-outs."""
    return tuple(sorted((Path(garden.__file__).parent / "media").glob("*.png")))
