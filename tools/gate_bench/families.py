"""The families of scenes.

Development families: everything that was tuned was tuned on these. Held-out families: reported, never
looked at while tuning. The two share neither weather nor picture (seeds and stills differ).
"""

from __future__ import annotations

from pathlib import Path

from gate_bench.clip import Clip
from gate_bench.warped import Scene, Weather, warped_clip

# name -> (class of the goals, weather)
DEVELOPMENT: dict[str, tuple[str, Weather]] = {
    "warped calm": ("calm", Weather(wind=0.1, noise=2.0)),
    "warped breeze": ("breeze", Weather(wind=0.45)),
    "warped gale": ("gale", Weather(wind=1.1, gusts_per_min=5, bend_px=4)),
    "warped cloud": ("cloud", Weather(wind=0.3, shadow=0.4)),
    "warped exposure": ("exposure", Weather(wind=0.3, exposure=0.8)),
    "warped rain": ("rain", Weather(wind=0.4, rain=0.7)),
    "warped dapple": ("dapple", Weather(wind=0.5, dapple=0.35)),
}


def sprites() -> tuple[Path, ...]:
    import dooryard.camera.garden as garden

    return tuple(sorted((Path(garden.__file__).parent / "media").glob("*.png")))


def warped(families: dict[str, tuple[str, Weather]], minutes: float, stills: list[Path], seed: int) -> list[Clip]:
    """One empty and one visited clip for each family and still (None: painted)."""
    out = []
    for index, (name, (wind, weather)) in enumerate(families.items()):
        for number, still in enumerate([None, *stills]):
            for visited in (False, True):
                scene = Scene(
                    seed=seed + 1000 * index + 10 * number + visited,
                    weather=weather,
                    minutes=minutes,
                    still=still,
                    visits_per_min=1.6 if visited else 0.0,
                    sprites=sprites(),
                )
                kind = "visits" if visited else "empty"
                out.append(warped_clip(f"{name} {number} {kind}", name, wind, scene))
    return out
