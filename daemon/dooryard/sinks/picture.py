"""A JPEG made to fit a receiver's limit."""

from __future__ import annotations

import io

from PIL import Image

_STEPS = ((1.0, 80), (0.75, 80), (0.5, 75), (0.35, 70), (0.25, 65), (0.15, 60))  # (scale, JPEG quality)


def fitted(jpeg: bytes, max_bytes: int) -> bytes | None:
    """`jpeg` itself if it is small enough, else scaled down; None when even the smallest is too large.

    A picture that cannot be read as one also gives None: the words still go out.
    """
    if len(jpeg) <= max_bytes:
        return jpeg
    try:
        with Image.open(io.BytesIO(jpeg)) as image:
            picture = image.convert("RGB")
    except OSError:
        return None
    for scale, quality in _STEPS:
        size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
        out = io.BytesIO()
        picture.resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=quality)
        if out.tell() <= max_bytes:
            return out.getvalue()
    return None
