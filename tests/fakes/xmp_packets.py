"""The XMP packet of a JPEG file, read from its segments: an old Pillow has no `info["xmp"]`."""

from __future__ import annotations

from PIL import Image

_BEGINS = b"http://ns.adobe.com/xap/1.0/\0"  # XMP specification, part 3, section 1.1.3 (from memory)


def xmp_packet(picture: Image.Image) -> bytes | None:
    """Return the packet, or None where there is none."""
    segments: list[tuple[str, bytes]] = getattr(picture, "applist")  # noqa: B009  of a JPEG alone
    found = [data for name, data in segments if name == "APP1" and data.startswith(_BEGINS)]
    return found[0][len(_BEGINS) :] if found else None
