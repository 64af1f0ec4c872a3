"""The alert and the picture that the campaigns send."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
from PIL import Image

from dooryard.core.ids import id_for
from dooryard.core.records import Alert

AT = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)


def _jpeg() -> bytes:
    pixels = np.random.default_rng(1).integers(0, 255, (240, 320, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=80)
    return out.getvalue()


JPEG = _jpeg()
ALERT = Alert(
    id=id_for(b"attack", 0, AT),
    kind="visit",
    wall=AT,
    clock_set=True,
    title="a squirrel at Alder Row",
    text="From 14:00:39 on, 99 % sure.",
    sinks=("phone",),
)
