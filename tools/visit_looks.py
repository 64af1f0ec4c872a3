"""What both networks say to seeded looks at photographs of birds, kept in a folder.

A visit is one photograph seen five times: shifted and scaled by up to a tenth, at some size, blurred, and
with the noise of a sensor's gain. The answers take minutes and are kept, so that numbers can be chosen and
measured in seconds. Pictures stand in a folder for each species, each cut out around its bird; a folder's
name holds the words of a common name, without the genitive ("Anna_Hummingbird").
"""

from __future__ import annotations

import hashlib
import math
import re
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from dooryard.camera.garden.light import NOISE_LEVELS
from dooryard.classify import crop
from dooryard.classify.labels import Label
from dooryard.classify.network import Network
from dooryard.core.records import Box, Rgb
from dooryard.teaching import album

LOOKS = 5  # of a visit
_SEED = 11
_WHOLE = Box(0, 0, 1, 1)


class Sort(NamedTuple):
    """How a photograph is seen: ranges that each look draws from evenly."""

    side_px: tuple[int, int]
    most_blur_px: float  # standard deviation
    most_gain: float


SORTS = {"light": Sort((96, 160), 1.0, 1.0), "mixed": Sort((64, 160), 2.0, 16.0)}
TENTH = 0.1  # of shift and scale


class Seen(NamedTuple):
    """One look as a camera would take it."""

    pixels: Rgb
    blur_px: float
    gain: float


@dataclass(frozen=True)
class Answers:
    """What the networks say to N visits of `LOOKS` looks; `filtered`: with the noise filter."""

    species: NDArray[np.str_]  # (N,) names of folders
    gain: NDArray[np.float32]  # (N, LOOKS)
    side_px: NDArray[np.int32]  # (N, LOOKS)
    blur_px: NDArray[np.float32]  # (N, LOOKS)
    sharpness: NDArray[np.float32]  # (N, LOOKS) of the crop
    first: NDArray[np.float32]  # (N, LOOKS, classes) logits of the network that says whether
    features: NDArray[np.float32]  # (N, LOOKS, features) of the same
    which: NDArray[np.float32]  # (N, LOOKS, classes) logits of the species model
    first_filtered: NDArray[np.float32]
    features_filtered: NDArray[np.float32]
    which_filtered: NDArray[np.float32]

    def where(self, chosen: NDArray[Any]) -> Answers:
        """Those that `chosen`, a mask (N,) or numbers, says."""
        return Answers(**{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})


def seen(pixels: Rgb, sort: Sort, random: np.random.Generator) -> Seen:
    """Draw one look at `pixels` (H, W, 3)."""
    height, width = pixels.shape[:2]
    least, most = sort.side_px
    side = int(random.integers(least, most + 1))
    window = max(height, width) * (1 + random.uniform(-TENTH, TENTH))
    shift = random.uniform(-TENTH, TENTH, 2) * (width, height)
    scale = window / side
    left, top = (width - window) / 2 + shift[0], (height - window) / 2 + shift[1]
    smooth = cv2.GaussianBlur(pixels, (0, 0), 0.4 * scale) if scale > 1 else pixels  # no aliasing
    back = np.array([[scale, 0, left + scale / 2 - 0.5], [0, scale, top + scale / 2 - 0.5]])
    view = cv2.warpAffine(
        smooth, back, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    blur = float(random.uniform(0.0, sort.most_blur_px))
    if blur > 0.1:
        view = cv2.GaussianBlur(view, (0, 0), blur)
    gain = float(random.uniform(1.0, sort.most_gain)) if sort.most_gain > 1 else 1.0
    if sort.most_gain > 1:
        view = view + random.normal(0.0, NOISE_LEVELS * math.sqrt(gain), view.shape)
    return Seen(np.rint(np.clip(view, 0, 255)).astype(np.uint8), blur, gain)


def visits(pictures: Path, sort: str, first: Network, which: Network, kept: Path | None) -> Answers:
    """Return the answers to a visit at every picture of `pictures`; `kept` is a folder that keeps them."""
    paths = [path for path in sorted(pictures.glob("*/*")) if path.suffix.lower() in album.SUFFIXES]
    names = [str(path.relative_to(pictures)) for path in paths]
    filters = (first.card.noise.sigmas, which.card.noise.sigmas)
    asked = (
        SORTS[sort],
        _SEED,
        crop.EDITION,
        filters,
        first.card.model_sha256,
        which.card.model_sha256,
        names,
    )
    key = hashlib.sha256(repr(asked).encode()).hexdigest()[:12]
    file = kept / f"visits-{sort}-{key}.npz" if kept else None
    if file is not None and file.is_file():
        with np.load(file) as data:
            return Answers(**{name: data[name] for name in Answers.__dataclass_fields__})
    rows = [_visit(path, pictures, SORTS[sort], first, which) for path in paths]
    found = Answers(
        np.array([path.parent.name for path in paths]),
        **{name: np.stack([row[name] for row in rows]) for name in rows[0]},
    )
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        np.savez(file, **{name: getattr(found, name) for name in Answers.__dataclass_fields__})
    return found


def _visit(path: Path, pictures: Path, sort: Sort, first: Network, which: Network) -> dict[str, NDArray[Any]]:
    random = np.random.default_rng([_SEED, zlib.crc32(str(path.relative_to(pictures)).encode())])
    pixels = album.pixels(path)
    looks = [_look(seen(pixels, sort, random), sort, first, which) for _ in range(LOOKS)]
    return {name: np.stack([look[name] for look in looks]) for name in looks[0]}


def _look(look: Seen, sort: Sort, first: Network, which: Network) -> dict[str, Any]:
    found = {
        "gain": np.float32(look.gain),
        "side_px": np.int32(look.pixels.shape[0]),
        "blur_px": np.float32(look.blur_px),
        "sharpness": np.float32(crop.prepare(look.pixels, _WHOLE, None, side=first.card.side_px).sharpness),
    }
    found |= _answers(look, math.inf, "", first, which)
    if sort.most_gain <= 1:
        return found | {f"{name}_filtered": found[name] for name in ("first", "features", "which")}
    return found | _answers(look, 0.0, "_filtered", first, which)


def _answers(look: Seen, from_gain: float, ending: str, first: Network, which: Network) -> dict[str, Any]:
    """What both say, each after its own noise filter where the gain is at least `from_gain`."""
    planes = [
        crop.prepare(
            look.pixels,
            _WHOLE,
            look.gain,
            side=one.card.side_px,
            noise=one.card.noise._replace(gain=from_gain),
        ).planes
        for one in (first, which)
    ]
    logits, features = first.answer(planes[0])
    return {
        f"first{ending}": logits,
        f"features{ending}": features,
        f"which{ending}": which.answer(planes[1])[0],
    }


def words(name: str) -> str:
    """A common name as folders have it: "anna hummingbird" of "Anna's Hummingbird"."""
    return re.sub(r"[^a-z]+", " ", re.sub(r"'s\b", "", name.lower())).strip()


def scientific_of(folders: Iterable[str], labels: Sequence[Label]) -> dict[str, str | None]:
    """The scientific name of each folder, None where the model does not know such a bird.

    A label that says more than the folder ("american barn swallow") is of no use here: species come first.
    """
    known = {words(label.name): label.scientific for label in labels if label.scientific}
    return {folder: known.get(words(folder.replace("_", " "))) for folder in folders}
