"""What the built-in network says to labelled looks: the garden's scenes and photographs, kept in a file.

Rendering takes minutes, so the answers are kept in a folder and read again when they are there.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

import model_composites
import model_scenes
from dooryard.camera import garden as garden_package
from dooryard.classify import crop
from dooryard.classify.onnx import BUILT_IN, OnnxClassifier
from dooryard.core.records import Box, Rgb
from model_weights import sha256

_SEED = 5


@dataclass(frozen=True)
class Looks:
    """N looks with their truth."""

    logits: NDArray[np.float32]  # (N, 1000)
    features: NDArray[np.float32]  # (N, 1280)
    family: NDArray[Any]  # (N,) kind of scene, or the photograph's name
    seed: NDArray[np.int64]
    animal: NDArray[Any]  # "" where nobody is
    group: NDArray[Any]  # "nobody" where nobody is
    visit: NDArray[np.int64]
    place: NDArray[Any]
    time_s: NDArray[np.float64]
    longer_px: NDArray[np.int64]
    boxes: NDArray[np.float64]  # (N, 4)

    def __len__(self) -> int:
        return len(self.group)

    def where(self, mask: NDArray[np.bool_]) -> Looks:
        """Those of `mask` (N,)."""
        return Looks(**{name: getattr(self, name)[mask] for name in self.__dataclass_fields__})


def joined(parts: Iterable[Looks]) -> Looks:
    """All looks of `parts`."""
    given = list(parts)
    return Looks(
        **{name: np.concatenate([getattr(p, name) for p in given]) for name in Looks.__dataclass_fields__}
    )


def scenes(split: str, noise: float, seeds: tuple[int, ...], folder: Path) -> Looks:
    """Looks at the scenes of `split` ("development" or "test"), from `folder` if they are there."""
    kinds = model_scenes.DEVELOPMENT if split == "development" else model_scenes.TEST
    animals = model_scenes.DEVELOPMENT_ANIMALS if split == "development" else model_scenes.TEST_ANIMALS
    return _kept(
        folder / f"looks-{split}-{noise}-{'-'.join(map(str, seeds))}.npz",
        lambda: (
            found
            for kind in kinds
            for seed in seeds
            for found in model_scenes.crops(kind, seed, animals, noise=noise, every=2)
        ),
    )


def site(kind: str, noise: float, folder: Path) -> Looks:
    """Looks at one place of the garden over an hour and later, from `folder` if they are there."""
    known = kind in (*model_scenes.DEVELOPMENT, *model_scenes.HARDER)
    animals = model_scenes.DEVELOPMENT_ANIMALS if known else model_scenes.TEST_ANIMALS
    seed = (20 if known else 200) + model_scenes.KINDS.index(kind) + int(10 * noise)
    path = folder / f"site-{kind.replace(' ', '-')}-{noise}-{seed}.npz"
    return _kept(path, lambda: model_scenes.site(kind, seed, animals, noise=noise))


def _kept(path: Path, crops: Callable[[], Iterable[model_scenes.Crop]]) -> Looks:
    """The looks at `crops`, from `path` if they are there, else made and put there."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        _save(path, looked(crops()))
    with np.load(path) as saved:
        if "made_by" not in saved or str(saved["made_by"]) != _made_by():
            raise SystemExit(
                f"{path}: made with another model, crop or scene than the present ones: remove it"
            )
        return Looks(**{name: saved[name] for name in Looks.__dataclass_fields__})


def _made_by() -> str:
    """A digest of what looks depend on beside their name: model, crop, kinds of scene, composites, garden."""
    garden = sorted(Path(garden_package.__file__).parent.glob("*.py"))
    tools = [Path(__file__).with_name(f"model_{name}.py") for name in ("scenes", "kinds", "composites")]
    files = [BUILT_IN.with_name("lite0.onnx"), Path(crop.__file__), *tools, *garden]
    return sha256(b"".join(path.read_bytes() for path in files))


def composites(wheels: Path, media: Path | None, folder: Path) -> Looks:
    """Looks at development animals laid over photographs, and at the same places without them."""
    path = folder / f"composites{'-media' if media else ''}.npz"
    return _kept(path, lambda: model_composites.composites(wheels, media, model_scenes.DEVELOPMENT_ANIMALS))


def empty_photographs(wheels: Path, folder: Path) -> Looks:
    """Looks at parts of the wheels' photographs with nobody in them."""
    return _kept(folder / "empty-photographs.npz", lambda: model_composites.empty(wheels))


def photographs(split: str, media: Path) -> Looks:
    """Looks at house sparrows and at places with nobody there: every second picture, by its name."""
    half = 0 if split == "development" else 1
    return looked(found for number, found in _photographs(media) if number % 2 == half)


def _photographs(media: Path) -> Iterator[tuple[int, model_scenes.Crop]]:
    random = np.random.default_rng(_SEED)
    with (media / "sparrows" / "boxes.csv").open(newline="") as table:
        rows = list(csv.DictReader(table))
    order = sorted({row["image_name"] for row in rows})
    for row in rows:
        x, y, wide, high = (int(row[f"bbox_{key}"]) for key in ("x", "y", "width", "height"))
        width, height = int(row["image_width"]), int(row["image_height"])
        box = Box(x / width, y / height, (x + wide) / width, (y + high) / height)
        name = row["image_name"]
        yield order.index(name), _crop(media / "sparrows" / name, "house sparrow", "bird", "visitor", box)
    with (media / "wild" / "labels.csv").open(newline="") as table:
        empty = [row["file"] for row in csv.DictReader(table) if row["label_by_eye"] == "empty"]
    for number, name in enumerate(sorted(empty)):
        for _ in range(40):
            side = random.uniform(0.08, 0.6)
            left, top = random.uniform(0, 1 - side, 2)
            box = Box(left, top, left + side, top + side)
            yield number, _crop(media / "wild" / name, "", "nobody", "wild", box)


def _crop(path: Path, animal: str, group: str, place: str, box: Box) -> model_scenes.Crop:
    pixels = _rgb(path)
    part = crop.prepare(pixels, box, None, side=224)
    longer = round(max((box.x1 - box.x0) * pixels.shape[1], (box.y1 - box.y0) * pixels.shape[0]))
    return model_scenes.Crop(path.name, 0, animal, group, -1, place, 0.0, longer, box, None, part.planes)


def _rgb(path: Path) -> Rgb:
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB"))


def looked(crops: Iterable[model_scenes.Crop]) -> Looks:
    """Let the network look at each."""
    classifier = OnnxClassifier()
    logits, features, facts = [], [], []
    for found in crops:
        said, felt = classifier.answer(found.planes)
        assert felt is not None
        logits.append(said)
        features.append(felt.astype(np.float16))
        facts.append(found._replace(planes=()))
    return Looks(
        logits=np.array(logits),
        features=np.array(features).astype(np.float32),
        family=np.array([one.family for one in facts]),
        seed=np.array([one.seed for one in facts]),
        animal=np.array([one.animal for one in facts]),
        group=np.array([one.group for one in facts]),
        visit=np.array([one.visit for one in facts]),
        place=np.array([one.place for one in facts]),
        time_s=np.array([one.time_s for one in facts]),
        longer_px=np.array([one.longer_px for one in facts]),
        boxes=np.array([one.box for one in facts], dtype=np.float64),
    )


def _save(path: Path, looks: Looks) -> None:
    arrays = {name: getattr(looks, name) for name in Looks.__dataclass_fields__}
    arrays["features"] = looks.features.astype(np.float16)
    arrays["made_by"] = np.array(_made_by())
    with path.open("wb") as file:
        np.savez_compressed(file, **arrays)
