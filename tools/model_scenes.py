"""Crops of the simulated garden "Alder Row", labelled by its own truth, for calibrating and measuring.

Scenes and animals are split once into development and test, so that nothing is fitted on what it is
measured on: no kind of scene is in both, and no bird's picture is in both. (There is one squirrel and
one badger; the squirrel is in both, the badger in the test only.) A garden's layout follows its seed, and no
seed is in both. Each crop comes through the same preparation and the same network as on the box.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import NamedTuple

import numpy as np

from dooryard.camera.garden.families import family
from dooryard.camera.garden.plan import GardenScene
from dooryard.camera.garden.settings import Feeder, GardenSettings, RequestedVisit
from dooryard.camera.scene import SceneCamera
from dooryard.classify import crop
from dooryard.core.records import Box
from model_kinds import MIXED

WIDTH, HEIGHT = 1280, 960
DEVELOPMENT = ("calm", "foliage alone", "dappled light", "cloud", "snow", "exposure steps")
TEST = ("breeze", "feeder on a hook", "gale", "rain", "dusk", "bright sky", "shaking pole")
HARDER = ("gusty cloud", "drizzle", "late light")
"""Further development kinds, for what the quiet ones do not show; made of development kinds."""
FRESH = ("hedge in a squall", "orchard in the evening", "grey winter day", "sunny on a loose pole")
"""Kinds that nothing was fitted on. They and the test kinds were seen before the memory was last changed."""
LAST = (
    "autumn drizzle",
    "mottled morning",
    "storm at the fence",
    "hazy evening",
    "snow shower",
    "cloudy orchard",
)
"""Kinds that nothing was fitted on; they were seen while the bounds of the memory's threshold were chosen."""
NEW = (
    "windy fence at noon",
    "first light in the orchard",
    "wet hedge",
    "snow in the sun",
    "gusts under broken cloud",
    "sky over a loose pole",
)
"""Kinds that nothing was fitted on: drawn when the plane and the lines stood. After the first look at them
two looks at half a bird were no longer called looks at nobody, and all was fitted again with that rule."""
HELD_BACK = (
    "rain on the orchard",
    "frosty morning",
    "gale in a low sun",
    "exposure steps under cloud",
    "late hook in the wind",
    "hedge in gusts",
)
"""Kinds that nothing was fitted on: drawn last. They had been looked at once, and nothing was chosen by them,
before small crops were grown as they are, which was chosen by photographs."""
KINDS = (
    *DEVELOPMENT,
    *TEST,
    *HARDER,
    *FRESH,
    *LAST,
    *NEW,
    *HELD_BACK,
)  # new kinds come last: the place gives the seed
DEVELOPMENT_ANIMALS = ("blackbird", "mallard", "shore lark", "grey squirrel", "white rabbit")
TEST_ANIMALS = ("pigeon", "crow", "hen", "rooster", "grey squirrel", "big-eared rabbit", "badger")
PERCHING = ("blackbird", "shore lark")
STRONG_NOISE = 1.0  # of the garden's settings: 4 grey levels at base sensitivity
LEARNING_S = 3600.0  # of `site`: nobody comes for so long
_STAY_S, _EVERY_S = 9.0, 26.0
_IN_THE_EVENING = (
    "dusk",
    "late light",
    "orchard in the evening",
    "hazy evening",
    "late hook in the wind",
    "gale in a low sun",
)


class Crop(NamedTuple):
    """One look at the garden."""

    family: str
    seed: int
    animal: str  # "" where nobody is
    group: str  # "nobody" where nobody is
    visit: int  # number within the scene; -1 where nobody is
    place: str  # what was looked at: "visitor", "feeder", "leaves", "lawn", "fence"
    time_s: float
    longer_px: int  # of the box
    box: Box
    gain: float | None
    planes: crop.Planes  # as the network takes them; () once it has looked


def settings(
    kind: str, seed: int, animals: tuple[str, ...], *, noise: float = 0.3, after_s: float = 0.0
) -> GardenSettings:
    """A garden where each of `animals` comes once from `after_s` on; a tube is its feeder."""
    requests = tuple(
        RequestedVisit(
            species=animal,
            start_s=after_s + 2.0 + number * _EVERY_S,
            stay_s=_STAY_S,
            on_feeder=animal in PERCHING and kind != "foliage alone" and seed % 2 == 0,
            place=float(seed + number) if animal in PERCHING and seed % 2 == 0 else 0.25 + 0.1 * (seed % 6),
            depth=0.15 + 0.2 * ((seed + number) % 4),
            enters=1 if (seed + number) % 2 else -1,
        )
        for number, animal in enumerate(animals)
    )
    base, changes = MIXED.get(kind, (kind, {}))
    duration_s = after_s + 6.0 + _EVERY_S * len(animals)
    garden = family(base, seed, duration_s=duration_s, noise=noise, **changes)
    if kind == "foliage alone":
        requests = tuple(
            replace(request, on_feeder=False, place=0.3 + 0.4 * (seed % 2)) for request in requests
        )
    feeder = Feeder.NONE if kind == "foliage alone" else Feeder.TUBE
    return replace(garden, width=WIDTH, height=HEIGHT, frames_per_s=2.0, visits=requests, feeder=feeder)


def crops(
    kind: str, seed: int, animals: tuple[str, ...], *, noise: float = 0.3, empties: int = 2, every: int = 1
) -> Iterator[Crop]:
    """Yield looks at one garden: at who is there, a little off as a gate's boxes are, and at nobody.

    `every`: use each so-manieth frame; `empties`: looks at nobody in each frame used.
    """
    random = np.random.default_rng([seed, len(kind), *kind.encode()])
    camera = SceneCamera(settings(kind, seed, animals, noise=noise), direct_luma=True)
    for number in range(0, camera.plan.settings.frame_count, every):
        yield from (look._replace(family=kind) for look in _looks(camera, number, random, empties))


def site(
    kind: str, seed: int, animals: tuple[str, ...], *, noise: float, hour: int = 120, after: int = 80
) -> Iterator[Crop]:
    """Yield looks at one place: `hour` at nobody over an hour, `after` at nobody later, and at visitors.

    The looks of the first hour have `time_s` below `LEARNING_S`. Nobody is there during it.
    """
    random = np.random.default_rng([seed, len(kind), *kind.encode()])
    garden = settings(kind, seed, animals, noise=noise, after_s=LEARNING_S)
    if kind in _IN_THE_EVENING:  # the visitors are to come at dusk, not an hour into the night
        garden = replace(garden, start=garden.start - timedelta(seconds=LEARNING_S))
    camera = SceneCamera(garden, direct_luma=True)
    first = int(LEARNING_S * garden.frames_per_s)
    for number in np.linspace(0, first - 1, hour).astype(int).tolist():
        yield from (look._replace(family=kind) for look in _looks(camera, number, random, 1))
    later = range(first, garden.frame_count)
    quiet = set(later[:: max(1, len(later) // after)])
    for number in later:
        busy = bool(camera.plan.scene(number).present)
        if number in quiet or (busy and number % 2 == 0):
            yield from (
                look._replace(family=kind) for look in _looks(camera, number, random, int(number in quiet))
            )


def _looks(camera: SceneCamera, number: int, random: np.random.Generator, empties: int) -> Iterator[Crop]:
    scene, garden = camera.plan.scene(number), camera.plan.settings
    wanted = [*_visitors(scene, random), *_nobody(camera, scene, random, empties)]
    if not wanted:
        return
    pixels = camera._colour_painter().rgb(scene)  # noqa: SLF001 - any frame, in any order
    for animal, group, visit, place, box in wanted:
        part = crop.prepare(pixels, box, scene.gain, side=224)
        longer = round(max((box.x1 - box.x0) * WIDTH, (box.y1 - box.y0) * HEIGHT))
        yield Crop(
            "", garden.seed, animal, group, visit, place, scene.time_s, longer, box, scene.gain, part.planes
        )


def _visitors(scene: GardenScene, random: np.random.Generator) -> Iterator[tuple[str, str, int, str, Box]]:
    for there in scene.present:
        if there.visible < 0.7:
            continue
        wide, high = there.box.x1 - there.box.x0, there.box.y1 - there.box.y0
        off = random.uniform(-0.12, 0.12, 4) * (wide, high, wide, high)
        box = Box(*np.clip(np.array(there.box) + off, 0.0, 1.0).tolist())
        group = there.group if there.group in ("bird", "squirrel", "rabbit") else "animal"
        yield there.species, group, there.visit, "visitor", box


def _nobody(
    camera: SceneCamera, scene: GardenScene, random: np.random.Generator, count: int
) -> Iterator[tuple[str, str, int, str, Box]]:
    taken = [there.box for there in scene.present]
    layout = camera.plan.layout
    for _ in range(count):
        place = ("feeder", "leaves", "lawn", "fence")[int(random.integers(4))]
        if place == "feeder" and not layout.has_feeder:
            place = "leaves"
        box = _spot(place, camera, scene, random)
        whole = _seen(box)  # with its margin: half a bird at its edge is somebody
        if not any(whole.overlap(other) > 0 for other in taken):
            yield "", "nobody", -1, place, box


def _seen(box: Box) -> Box:
    """All that a crop of `box` shows."""
    left, top, side, _ = crop.window(box, WIDTH, HEIGHT)
    return Box(left / WIDTH, top / HEIGHT, (left + side) / WIDTH, (top + side) / HEIGHT)


def _spot(place: str, camera: SceneCamera, scene: GardenScene, random: np.random.Generator) -> Box:
    """A box of a visitor's size somewhere in the named part of the view."""
    layout, high = camera.plan.layout, camera.plan.settings.design_height
    if place == "feeder":
        length = layout.wire + layout.size * 205.0
        down = random.uniform(0.35, 1.0) * length
        x = layout.pivot[0] + np.sin(scene.feeder_rad) * down
        y = layout.pivot[1] + np.cos(scene.feeder_rad) * down
        half = random.uniform(35.0, 90.0)
    else:
        half = random.uniform(30.0, 90.0)
        top = {"leaves": 0.0, "fence": 0.15 * high, "lawn": layout.horizon}[place]
        bottom = {"leaves": 0.45 * high, "fence": layout.horizon, "lawn": high}[place]
        side = layout.leaves_side if place == "leaves" else 0
        x = random.uniform(0.0, 640.0) if side == 0 else (160.0 + 480.0 * (side > 0)) - random.uniform(0, 160)
        y = random.uniform(top, bottom)
    x, y = min(max(x, half), 640.0 - half), min(max(y, half), high - half)
    return Box((x - half) / 640.0, (y - half) / high, (x + half) / 640.0, (y + half) / high)
