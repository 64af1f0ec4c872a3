"""Late alerts in one message: its words and its contact sheet."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence

from PIL import Image

from dooryard.core.ids import id_for
from dooryard.core.records import Alert, Moment

MOST_LINES = 40
MOST_PICTURES = 12
_COLUMNS, _TILE = 4, (320, 240)  # pixels
_GAP = 6
_PAPER = (244, 244, 240)


def digest_alert(late: Sequence[Alert], sink: str, now: Moment, *, clock_set: bool) -> Alert:
    """One message to `sink` instead of `late`, which come newest first."""
    salt = hashlib.sha256("\n".join([sink, *(alert.id for alert in late)]).encode()).digest()
    lines = [f"- {alert.title}" for alert in reversed(late[:MOST_LINES])]
    earlier = len(late) - len(lines)
    if earlier:
        lines.insert(0, f"- {earlier} earlier {'one' if earlier == 1 else 'ones'}, which the journal has")
    return Alert(
        id=id_for(salt, 0, now.wall),
        kind="summary",
        wall=now.wall,
        clock_set=clock_set,
        title=f"{len(late)} alerts that could not be sent in time",
        text="These could not be sent when they happened: it was quiet, or the network was down. "
        "The oldest first:\n" + "\n".join(lines),
        sinks=(sink,),
    )


def contact_sheet(jpegs: Sequence[bytes]) -> bytes | None:
    """The pictures side by side as one JPEG, in the order given; None when none of them can be read."""
    tiles = [tile for jpeg in jpegs[:MOST_PICTURES] if (tile := _tile(jpeg)) is not None]
    if not tiles:
        return None
    columns = min(_COLUMNS, len(tiles))
    rows = -(-len(tiles) // columns)
    width, height = _TILE
    sheet = Image.new("RGB", (columns * (width + _GAP) + _GAP, rows * (height + _GAP) + _GAP), _PAPER)
    for number, tile in enumerate(tiles):
        left = _GAP + (number % columns) * (width + _GAP) + (width - tile.width) // 2
        top = _GAP + (number // columns) * (height + _GAP) + (height - tile.height) // 2
        sheet.paste(tile, (left, top))
    out = io.BytesIO()
    sheet.save(out, "JPEG", quality=82)
    return out.getvalue()


def _tile(jpeg: bytes) -> Image.Image | None:
    try:
        with Image.open(io.BytesIO(jpeg)) as image:
            image.draft("RGB", _TILE)  # decodes at a fraction of the size: memory stays small
            picture = image.convert("RGB")
    except OSError:
        return None  # damaged: the words name its visit all the same
    picture.thumbnail(_TILE, Image.Resampling.LANCZOS)
    return picture
