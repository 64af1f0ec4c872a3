"""Names and places inside a JPEG, as an XMP packet, without touching its pixels. Pure.

Sources: the XMP packet goes into an APP1 segment that begins with its namespace and a zero byte, at most
65,502 bytes long (ISO 16684-1 and XMP Specification Part 3, "Storage in files": JPEG); segments as in
ITU-T T.81, annex B: 0xFF, a marker, a length of two bytes that counts itself. Keywords are `dc:subject`, the
caption `dc:description`, positions `exif:GPSLatitude` as "DDD,MM.mmk".
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

_NAMESPACE = b"http://ns.adobe.com/xap/1.0/\x00"
_SOI, _APP0, _APP1, _APP13, _APP15, _COMMENT, _SOS = b"\xff\xd8", 0xE0, 0xE1, 0xED, 0xEF, 0xFE, 0xDA
_MOST_BYTES = 65_502


def labelled(
    jpeg: bytes, caption: str, keywords: Sequence[str], position: tuple[float, float] | None = None
) -> bytes:
    """`jpeg` with an XMP packet in place of any it had.

    `position` is latitude and longitude in degrees; None (the usual case) leaves them out. Raises
    ValueError when `jpeg` is no JPEG, or the packet gets too long.
    """
    packet = _packet(caption, keywords, position)
    if len(packet) > _MOST_BYTES:
        raise ValueError("caption and keywords are too long for one segment")
    body = _NAMESPACE + packet
    segment = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    head, rest = _split(jpeg)
    return head + segment + rest


def bare(jpeg: bytes) -> bytes:
    """`jpeg` without Exif, XMP and comments: only what its decoder wants. Raises ValueError for no JPEG."""
    segments, scan = _segments(jpeg)
    said = (*range(_APP1, _APP13 + 1), _APP15, _COMMENT)  # APP14 tells how colours are stored
    return _SOI + b"".join(segment for marker, segment in segments if marker not in said) + scan


def _split(jpeg: bytes) -> tuple[bytes, bytes]:
    """The segments that an XMP packet goes after (JFIF, Exif), and what follows, old XMP taken out."""
    head, after = [_SOI], list[bytes]()
    segments, scan = _segments(jpeg)
    for marker, segment in segments:
        if marker == _APP0 or (marker == _APP1 and segment[4:10] == b"Exif\x00\x00"):
            head.append(segment)
        elif not (marker == _APP1 and segment[4:].startswith(_NAMESPACE)):
            after.append(segment)
    return b"".join(head), b"".join(after) + scan


def _segments(jpeg: bytes) -> tuple[list[tuple[int, bytes]], bytes]:
    """(marker, segment) of all that stands before the first scan, and the rest. ValueError for no JPEG."""
    if jpeg[:2] != _SOI:
        raise ValueError("this is not a JPEG")
    found, at = list[tuple[int, bytes]](), 2
    while at + 4 <= len(jpeg):
        marker = jpeg[at + 1]
        if jpeg[at] != 0xFF:
            raise ValueError("this JPEG is damaged")
        if marker == _SOS:
            return found, jpeg[at:]
        end = at + 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
        found.append((marker, jpeg[at:end]))
        at = end
    raise ValueError("this JPEG has no picture in it")


def _packet(caption: str, keywords: Sequence[str], position: tuple[float, float] | None) -> bytes:
    words = "".join(f"<rdf:li>{_text(word)}</rdf:li>" for word in keywords)
    place = ""
    if position:
        latitude, longitude = position
        place = (
            f"<exif:GPSLatitude>{_degrees(latitude, 'NS')}</exif:GPSLatitude>"
            f"<exif:GPSLongitude>{_degrees(longitude, 'EW')}</exif:GPSLongitude>"
        )
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"'
        ' xmlns:exif="http://ns.adobe.com/exif/1.0/">'
        f'<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{_text(caption)}</rdf:li></rdf:Alt>'
        f"</dc:description><dc:subject><rdf:Bag>{words}</rdf:Bag></dc:subject>{place}"
        '</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="r"?>'
    ).encode()


def _text(text: str) -> str:
    """`text` for XML: escaped, without characters that XML cannot hold."""
    return escape("".join(each for each in text if each.isprintable()))


def _degrees(value: float, sides: str) -> str:
    whole, part = divmod(abs(value), 1)
    return f"{int(whole)},{part * 60:.4f}{sides[0] if value >= 0 else sides[1]}"
