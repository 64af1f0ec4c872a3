"""Pictures as files: a JPEG in memory, with the time it was taken."""

from __future__ import annotations

import io

from PIL import Image

from dooryard.records import Picture

# EXIF 2.32 tag numbers (CIPA DC-008)
_IMAGE_DESCRIPTION = 0x010E
_SOFTWARE = 0x0131
_EXIF_IFD = 0x8769
_DATE_TIME_ORIGINAL = 0x9003
_OFFSET_TIME_ORIGINAL = 0x9011
_SUBSEC_TIME_ORIGINAL = 0x9291


def encode(picture: Picture, description: str, *, clock_set: bool = True, quality: int = 88) -> bytes:
    """Return `picture` as JPEG bytes with EXIF time in UTC, or without one while the clock is not set.

    `description` says who it is; EXIF wants ASCII, so other letters become question marks.
    """
    exif = Image.Exif()
    exif[_SOFTWARE] = "Dooryard"
    text = description if clock_set else f"{description} (clock not set)"
    exif[_IMAGE_DESCRIPTION] = text.encode("ascii", "replace").decode()
    if clock_set:
        exif[_EXIF_IFD] = {
            _DATE_TIME_ORIGINAL: picture.wall.strftime("%Y:%m:%d %H:%M:%S"),
            _SUBSEC_TIME_ORIGINAL: f"{picture.wall.microsecond // 1000:03d}",
            _OFFSET_TIME_ORIGINAL: "+00:00",
        }
    out = io.BytesIO()
    Image.fromarray(picture.pixels).save(out, "JPEG", quality=quality, exif=exif)
    return out.getvalue()
