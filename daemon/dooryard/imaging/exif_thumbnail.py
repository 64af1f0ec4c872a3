"""The small picture inside a stored one, for whoever shows many at once. Pure.

It is the thumbnail that EXIF knows: a JPEG in the second directory (IFD1), named by its offset and length
from the TIFF header. Sources: EXIF 2.32 (CIPA DC-008), thumbnail data; TIFF 6.0, section 2: a directory is a
count of two bytes, entries of twelve (tag, type, count, value) and the offset of the next directory. EXIF's
own bound of 64 kB for all of it holds here too.
"""

from __future__ import annotations

import struct

from PIL import ExifTags, Image

LONGER_PX = 400  # about as wide as a card of the journal
QUALITY = 75
_HEAD = b"Exif\x00\x00"
_MOST_BYTES = 60_000  # of a segment's 65,533, with room for what else is said
_COMPRESSION, _OFFSET, _LENGTH = 0x0103, 0x0201, 0x0202
_SHORT, _LONG = 3, 4
_OLD_JPEG = 6  # how EXIF calls a thumbnail that is a JPEG


def with_inset(exif: bytes, jpeg: bytes) -> bytes:
    """EXIF data (beginning with ``Exif`` and two zeros) with `jpeg` as its thumbnail; as it was if too large.

    `exif` has one directory so far. Raises ValueError for what is no such data.
    """
    tiff = exif.removeprefix(_HEAD)
    if len(tiff) == len(exif) or tiff[:2] not in (b"II", b"MM"):
        raise ValueError("this is not EXIF data")
    if len(exif) + len(jpeg) > _MOST_BYTES:
        return exif
    order = "<" if tiff[:2] == b"II" else ">"
    first = struct.unpack_from(f"{order}I", tiff, 4)[0]
    count = struct.unpack_from(f"{order}H", tiff, first)[0]
    tiff += b"\x00" * (len(tiff) % 2)  # a directory begins at an even offset
    here = len(tiff)
    entries = (
        struct.pack(f"{order}HHIHH", _COMPRESSION, _SHORT, 1, _OLD_JPEG, 0),
        struct.pack(f"{order}HHII", _OFFSET, _LONG, 1, here + 2 + 3 * 12 + 4),
        struct.pack(f"{order}HHII", _LENGTH, _LONG, 1, len(jpeg)),
    )
    link = first + 2 + count * 12
    tiff = tiff[:link] + struct.pack(f"{order}I", here) + tiff[link + 4 :]
    return _HEAD + tiff + struct.pack(f"{order}H", len(entries)) + b"".join(entries) + bytes(4) + jpeg


def inset_of(picture: Image.Image) -> bytes | None:
    """The thumbnail's bytes; None where there is none. It may be of any size, or no picture at all."""
    written = picture.getexif().get_ifd(ExifTags.IFD.IFD1)
    offset, length = written.get(_OFFSET), written.get(_LENGTH)
    tiff: bytes = picture.info.get("exif", b"").removeprefix(_HEAD)
    if not isinstance(offset, int) or not isinstance(length, int) or offset + length > len(tiff):
        return None
    return tiff[offset : offset + length] or None
