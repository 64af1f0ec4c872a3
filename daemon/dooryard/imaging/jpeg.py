"""Pictures as files: a JPEG in memory, with the time it was taken."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from dooryard.core.records import Box, Picture
from dooryard.imaging import exif_thumbnail
from dooryard.imaging.size_budget import PictureSize

# EXIF 2.32 tag numbers (CIPA DC-008)
_IMAGE_DESCRIPTION = 0x010E
_SOFTWARE = 0x0131
_EXIF_IFD = 0x8769
_DATE_TIME_ORIGINAL = 0x9003
_OFFSET_TIME_ORIGINAL = 0x9011
_SUBSEC_TIME_ORIGINAL = 0x9291
_SUBJECT_AREA = 0x9214  # centre x and y, width, height in pixels


QUALITIES = (85, 70, 55, 40)
NARROWEST_PX = 160


def fitted(picture: Picture, description: str, size: PictureSize, *, clock_set: bool = True) -> bytes:
    """Return `picture` as `encode` does, scaled down to `size`, at the best quality that is small enough.

    Where even the lowest of `QUALITIES` is too large it is made narrower, down to `NARROWEST_PX`. What is
    much larger than an inset has one (see `exif_thumbnail`), so that who shows many need not open them all.
    """
    image = Image.fromarray(picture.pixels)
    image.thumbnail((size.longer_px, size.longer_px), Image.Resampling.BICUBIC, reducing_gap=2.0)
    scaled = replace(picture, pixels=np.asarray(image))
    small = _small(image) if max(image.size) >= 2 * exif_thumbnail.LONGER_PX else None
    data = b""
    for quality in QUALITIES:
        data = encode(scaled, description, clock_set=clock_set, quality=quality, small=small)
        if len(data) <= size.most_bytes:
            return data
    narrower = size._replace(longer_px=max(image.size) * 3 // 4)
    return (
        data
        if narrower.longer_px < NARROWEST_PX
        else fitted(scaled, description, narrower, clock_set=clock_set)
    )


def _small(image: Image.Image) -> bytes:
    small = image.copy()
    small.thumbnail(
        (exif_thumbnail.LONGER_PX, exif_thumbnail.LONGER_PX), Image.Resampling.BILINEAR, reducing_gap=2.0
    )
    out = io.BytesIO()
    small.save(out, "JPEG", quality=exif_thumbnail.QUALITY)
    return out.getvalue()


def encode(
    picture: Picture,
    description: str,
    *,
    clock_set: bool = True,
    quality: int = 88,
    small: bytes | None = None,
) -> bytes:
    """Return `picture` as JPEG bytes with EXIF subject area, and time in UTC unless the clock is not set.

    `description` says who it is; EXIF wants ASCII, so other letters become question marks. `small` is a
    JPEG of the same, to be its thumbnail.
    """
    exif = Image.Exif()
    exif[_SOFTWARE] = "Dooryard"
    text = description if clock_set else f"{description} (clock not set)"
    exif[_IMAGE_DESCRIPTION] = text.encode("ascii", "replace").decode()
    height, width = picture.pixels.shape[:2]
    details: dict[int, object] = {_SUBJECT_AREA: _area(picture.box, width, height)}
    if clock_set:
        details |= {
            _DATE_TIME_ORIGINAL: picture.wall.strftime("%Y:%m:%d %H:%M:%S"),
            _SUBSEC_TIME_ORIGINAL: f"{picture.wall.microsecond // 1000:03d}",
            _OFFSET_TIME_ORIGINAL: "+00:00",
        }
    exif[_EXIF_IFD] = details
    out = io.BytesIO()
    written = exif.tobytes() if small is None else exif_thumbnail.with_inset(exif.tobytes(), small)
    Image.fromarray(picture.pixels).save(out, "JPEG", quality=quality, exif=written)
    return out.getvalue()


def subject_of(path: Path) -> Box | None:
    """Where in the picture the visitor is, as `encode` wrote it down; None: nothing is written, or nonsense.

    Raises OSError when the file cannot be read.
    """
    with Image.open(path) as image:
        return _subject(image)


def _subject(image: Image.Image) -> Box | None:
    area = image.getexif().get_ifd(_EXIF_IFD).get(_SUBJECT_AREA)
    if not isinstance(area, tuple) or len(area) != 4 or not all(isinstance(number, int) for number in area):
        return None
    x, y, width, height = area
    box = Box(
        max(0.0, (x - width / 2) / image.width),
        max(0.0, (y - height / 2) / image.height),
        min(1.0, (x + width / 2) / image.width),
        min(1.0, (y + height / 2) / image.height),
    )
    return box if box.x0 < box.x1 and box.y0 < box.y1 else None


def _area(box: Box, width: int, height: int) -> tuple[int, int, int, int]:
    x, y = box.centre
    wide, high = (box.x1 - box.x0) * width, (box.y1 - box.y0) * height
    return round(x * width), round(y * height), max(1, round(wide)), max(1, round(high))
