"""The families of scenes, and which of them anything was tuned on.

Development families: every constant of the gate and of its judge was set while looking at these, and the
peers' settings are chosen on them. Held-out families: never looked at while tuning. They share neither
weather nor seed with the development ones. `GARDEN_FRESH` (gate_bench/garden_sets.py) is for the last word:
drawn when the gate was finished. The sets before it were that once, for earlier gates.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dooryard.camera import garden
from gate_bench.clip import Clip
from gate_bench.garden_clips import garden_clip
from gate_bench.garden_sets import GARDEN_FRESH, GARDEN_SETS, LITTLE
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
    for families, seed, apart in GARDEN_SETS:
        for number, (name, (wind, kind, changes)) in enumerate(families.items()):
            if only is None or name in only:
                out += _changed(name, wind, kind, changes, amount, seed + number * apart)
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
            **(changes | LITTLE),
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
