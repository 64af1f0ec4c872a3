"""The journal's own pictures: a small one for the pages and the large one, labelled, for a closer look."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image, UnidentifiedImageError

from dooryard.imaging.exif_thumbnail import inset_of
from dooryard.imaging.size_budget import SMALL
from dooryard.imaging.xmp import bare, labelled

# The longer side of a small picture lies between these: about as wide as a card. A JPEG decoder gives 1/2,
# 1/4 or 1/8 of a picture for less work than the whole; most cameras' sizes have one of them in this range.
LEAST_PX, MOST_PX = 320, 520
_SCALED_PX = 400  # where none of them is
_SMALL_QUALITY = 78


def read(path: Path) -> bytes | None:
    """A stored picture's bytes; None where it can't be read, whatever the reason: the page does without."""
    try:
        return path.read_bytes()
    except OSError:
        return None


def small(jpeg: bytes) -> bytes | None:
    """`jpeg` made small; None if it can't be opened. The decoder leaves out detail that isn't needed."""
    try:
        with Image.open(io.BytesIO(jpeg)) as picture:
            if len(jpeg) <= SMALL.most_bytes and max(picture.size) <= SMALL.longer_px:
                return bare(jpeg)  # stored small: no lighter one is made of it
            inside = _inside(picture)
            if inside is not None:
                return inside
            shrink = LEAST_PX / max(picture.size)
            wanted = (max(1, int(picture.width * shrink)), max(1, int(picture.height * shrink)))
            picture.draft("RGB", wanted)  # never smaller than wanted
            if max(picture.size) > MOST_PX:
                picture.thumbnail((_SCALED_PX, _SCALED_PX), Image.Resampling.BILINEAR, reducing_gap=2.0)
            plain = picture if picture.mode == "RGB" else picture.convert("RGB")
            out = io.BytesIO()
            # Without what is written in the stored one: the large picture has it.
            plain.save(out, "JPEG", quality=_SMALL_QUALITY, comment=b"")
            return out.getvalue()
    except (OSError, UnidentifiedImageError, ValueError, Image.DecompressionBombError):
        return None


def _inside(picture: Image.Image) -> bytes | None:
    """The small picture that the box stored in the large one, if it is as large as is wanted here."""
    found = inset_of(picture)
    if found is None:
        return None
    with Image.open(io.BytesIO(found), formats=["JPEG"]) as inner:
        fits = LEAST_PX <= max(inner.size) <= MOST_PX
    return bare(found) if fits else None


def large(
    jpeg: bytes, caption: str, keywords: list[str], position: tuple[float, float] | None = None
) -> bytes | None:
    """`jpeg` with its visitor's name as a keyword; None if it is no JPEG."""
    try:
        return labelled(jpeg, caption, keywords, position)
    except ValueError:
        return None
