"""The owner's own pictures of visitors, by name: ``taught/GROUP/NAME/*.jpg`` in the state folder. Edge.

Pictures are kept, not features: so another model learns from them too, the owner can look through them,
and a picture that is taken out of the folder is untaught. Each shows one visitor that fills most of the
square in its middle.

What was computed from them stands in ``taught/features-MODEL.npz``, and is made again when it is gone.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from PIL import Image, ImageOps

from dooryard.classify import crop, taught
from dooryard.classify.labels import GROUPS
from dooryard.core.atomic_files import FileCalls, make_folders, write_file
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Box, Rgb
from dooryard.policy.fields import plain_name

FOLDER = "taught"
TAKEN_BACK = "taken-back"  # beside the groups; no group is called so
SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".webp"})
MOST_PX = 640  # of a picture's longer side; a network sees 224
_QUALITY = 95


class Example(NamedTuple):
    """One picture of the album."""

    picture: str  # path in the album: "bird/wren/3.jpg"
    name: str  # lower case, as it is told
    group: str


def example(group: str, name: str, file_name: str) -> Example:
    """Where a picture of `name` belongs. Characters that would lead out of the folder become hyphens."""
    folder = plain_name(name).replace("/", "-").replace("\\", "-").replace("\0", "-")
    folder = "-" + folder[1:] if folder.startswith(".") else folder
    return Example(f"{group}/{folder}/{file_name}", folder, group)


def examples(state_folder: Path) -> tuple[Example, ...]:
    """All pictures of the album, of each name the newest `taught.MOST_MARKS`, older ones first.

    Raises ConfigError for a folder in it that is no group, StoreError for one that cannot be read.
    """
    album = state_folder / FOLDER
    found: list[Example] = []
    for group in _folders(album):
        if group.name == TAKEN_BACK:
            continue
        if group.name not in GROUPS:
            raise ConfigError(
                f"{group}: no group of visitors is called so",
                f"the folders there are {', '.join(GROUPS)}; move the names into one of them",
            )
        for name in _folders(group):
            pictures = [path for path in name.iterdir() if path.suffix.lower() in SUFFIXES]
            found += [
                Example(str(path.relative_to(album)), plain_name(name.name), group.name)
                for path in sorted(pictures, key=_age)[-taught.MOST_MARKS :]
            ]
    return tuple(found)


def pixels(path: Path, most_px: int = MOST_PX) -> Rgb:
    """The picture, (H, W, 3) uint8, the right way up, its longer side at most `most_px`.

    Raises ConfigError when it cannot be read.
    """
    try:
        with Image.open(path) as opened:
            opened.draft("RGB", (most_px, most_px))
            image = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise ConfigError(
            f"{path}: cannot be read as a picture ({error})", "take it out, or put a whole JPEG or PNG there"
        ) from error
    image.thumbnail((most_px, most_px))
    return np.asarray(image)


def middle(picture: Rgb) -> Box:
    """The box whose window (see `crop.window`) is the largest square in the middle of `picture`."""
    height, width = picture.shape[:2]
    side = min(width, height) / (1 + 2 * crop.MARGIN)
    x, y = side / width / 2, side / height / 2
    return Box(0.5 - x, 0.5 - y, 0.5 + x, 0.5 + y)


def cut(picture: Rgb, box: Box) -> Rgb:
    """The square of `picture` that a network is shown for `box`."""
    height, width = picture.shape[:2]
    at = crop.window(box, width, height)
    return picture[at.top : at.top + at.side, at.left : at.left + at.side]


def add(state_folder: Path, example: Example, picture: Rgb) -> None:
    """Put `picture` into the album. Raises StoreError when the disk refuses."""
    path, out = state_folder / FOLDER / example.picture, io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=_QUALITY)
    try:
        make_folders(path.parent, FileCalls())
        write_file(path, out.getvalue(), FileCalls())
    except OSError as error:
        raise StoreError(
            f"{path}: {error.strerror}", "make room, or see that this user may write there"
        ) from error


def take_back(state_folder: Path, picture: str) -> Path:
    """Move a picture out of the album, to where it can be fetched back from. Returns where it is now."""
    album = state_folder / FOLDER
    away = album / TAKEN_BACK / picture
    try:
        make_folders(away.parent, FileCalls())
        (album / picture).replace(away)
    except OSError as error:
        raise StoreError(
            f"{album / picture}: {error.strerror}", "see that it is there and this user may move it"
        ) from error
    return away


def known(state_folder: Path, model: str, feature_count: int) -> tuple[taught.NamedPicture, ...]:
    """What was computed from the pictures with this model; nothing where there is none, or it is damaged."""
    try:
        data = _cache(state_folder, model).read_bytes()
    except OSError:
        return ()
    return taught.load(data, model, feature_count) or ()


def keep(state_folder: Path, model: str, marks: Sequence[taught.NamedPicture]) -> None:
    """Keep what was computed. It can be computed again, so a disk that refuses costs time only."""
    try:
        write_file(_cache(state_folder, model), taught.save(tuple(marks), model), FileCalls())
    except OSError:
        return


def stamp(state_folder: Path, example: Example) -> str:
    """Names a picture as it is now: another one under the same name is computed again."""
    return f"{example.picture} {(state_folder / FOLDER / example.picture).stat().st_size}"


def _cache(state_folder: Path, model: str) -> Path:
    return state_folder / FOLDER / f"features-{model[:12]}.npz"


def _folders(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.is_dir())
    except (FileNotFoundError, NotADirectoryError):  # who opens the store says what is wrong with it
        return []
    except OSError as error:
        raise StoreError(f"{folder}: {error.strerror}", "let this user read the state folder") from error


def _age(path: Path) -> tuple[float, str]:
    return path.stat().st_mtime, path.name
