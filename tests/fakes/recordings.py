"""Recordings made on the fly: frames of Alder Row's lawn with EXIF times, written by Pillow."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image


def exif(taken: datetime | None = None, **texts: str) -> bytes:
    """An EXIF block with the time `taken`, microseconds and (if it is aware) offset stated, or with `texts`.

    `texts` maps names of EXIF tags (Pillow's spelling) to what they say.
    """
    tags: dict[int, str] = {}
    if taken is not None:
        tags[ExifTags.Base.DateTimeOriginal] = f"{taken:%Y:%m:%d %H:%M:%S}"
        tags[ExifTags.Base.SubsecTimeOriginal] = f"{taken:%f}"
        if taken.tzinfo is not None:
            offset = f"{taken:%z}"
            tags[ExifTags.Base.OffsetTimeOriginal] = f"{offset[:3]}:{offset[3:5]}"
    for name, text in texts.items():
        tags[ExifTags.Base[name]] = text
    made = Image.Exif()
    made[ExifTags.IFD.Exif] = tags  # not through get_ifd: Pillow 10.0 does not keep what is added there
    return made.tobytes()


def lawn(number: int = 0, size: tuple[int, int] = (64, 48)) -> np.ndarray:
    """Smooth, so that JPEG changes it little; each number a shade brighter."""
    width, height = size
    across = np.linspace(40, 160, width)[None, :] + np.linspace(0, 40, height)[:, None] + number % 50
    return np.stack([across * 0.8, across, across * 0.6], axis=2).astype(np.uint8)


def write_frame(
    path: Path,
    taken: datetime | None = None,
    *,
    number: int = 0,
    size: tuple[int, int] = (64, 48),
    **texts: str,
) -> Path:
    """Write one frame; the suffix of `path` says whether as JPEG or PNG."""
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(lawn(number, size)).save(path, exif=exif(taken, **texts), quality=95)
    return path
