"""The animals' pictures, read from `media/`, and their outlines for the truth.

The pictures are third-party data under the GPL, version 2 or later (see the notice beside them). This module
is Apache-2.0 as the rest is: it reads whatever pictures of those names it finds, and holds none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from dooryard.camera.garden.species import SPECIES
from dooryard.core.errors import CameraError

SOLID = 96  # alpha from which a pixel belongs to the animal


@dataclass(frozen=True, slots=True, eq=False)
class Sprite:
    """An animal that looks to the right, `length_px` long, standing on its foot point.

    Points are in design pixels relative to the foot point, x to the right, y downwards.
    """

    image: Image.Image  # RGBA
    foot: tuple[float, float]  # in `image`
    outline: NDArray[np.float64]  # (N, 2) the leftmost and rightmost solid points of each row
    inside: NDArray[np.float64]  # (M, 2) points spread over the animal


@lru_cache(maxsize=32)
def load_sprite(name: str) -> Sprite:
    """The sprite of a species by its name.

    Raises `CameraError` if its picture is missing or damaged.
    """
    kind = SPECIES[name]
    source = resources.files("dooryard.camera.garden") / "media" / kind.file
    try:
        with source.open("rb") as file:
            image = Image.open(file).convert("RGBA")
    except (OSError, ValueError) as error:
        raise CameraError(
            f"the simulated garden's picture {kind.file} cannot be read: {error}",
            "install the package again (or rebuild the folder with tools/scene_media.py), or watch through "
            "another camera: only the simulated garden needs these pictures",
        ) from error
    size = kind.length_px / max(image.size)
    image = image.resize(
        (round(image.width * size), round(image.height * size)), Image.Resampling.LANCZOS, reducing_gap=3.0
    )
    if not kind.faces_right:
        image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    return _measured(image)


def _measured(image: Image.Image) -> Sprite:
    solid = np.asarray(image)[..., 3] >= SOLID
    rows = np.flatnonzero(solid.any(axis=1))
    lowest = rows[-1]
    foot_columns = np.flatnonzero(solid[max(0, lowest - image.height // 25) : lowest + 1].any(axis=0))
    foot = (float(foot_columns.mean()) + 0.5, float(lowest) + 0.5)
    left = solid.argmax(axis=1)[rows]
    right = image.width - solid[:, ::-1].argmax(axis=1)[rows]
    points = np.concatenate([np.stack([left, rows + 0.5], 1), np.stack([right, rows + 0.5], 1)])
    y, x = np.nonzero(solid)
    spread = np.linspace(0, len(y) - 1, 80).astype(int)
    inside = np.stack([x[spread] + 0.5, y[spread] + 0.5], 1)
    return Sprite(image, foot, points - foot, inside - foot)


def placed_points(
    points: NDArray[np.float64], *, facing: int, tilt_deg: float, stretch: tuple[float, float]
) -> NDArray[np.float64]:
    """Points after mirroring (`facing` -1), stretching, and turning `tilt_deg` anticlockwise as seen."""
    x = points[:, 0] * stretch[0] * facing
    y = points[:, 1] * stretch[1]
    cosine, sine = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    return np.stack([x * cosine + y * sine, -x * sine + y * cosine], 1)
