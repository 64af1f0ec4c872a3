"""Arrays as bytes, and back: NumPy's .npz (a zip of .npy arrays), of which nothing is ever unpickled. Pure.

What is kept for long has a digest in front (`sealed`, `unsealed`), or the store keeps one beside it: then one
comparison finds any damage.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

_SHA256_BYTES = 32


def packed(arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """`arrays`, by name, compressed."""
    out = io.BytesIO()
    np.savez_compressed(out, **dict(arrays))  # type: ignore[arg-type]  # the stub takes `allow_pickle` for one
    return out.getvalue()


def unpacked(data: bytes, most_bytes: int) -> dict[str, NDArray[Any]] | None:
    """What `packed` was given. None: it is damaged, or would unpack to more than `most_bytes`."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > most_bytes:
                return None
        with np.load(io.BytesIO(data), allow_pickle=False) as saved:
            return {name: saved[name] for name in saved.files}
    except Exception:  # noqa: BLE001  (whatever damaged bytes lead a zip's readers to: there is no list of it)
        return None


def sealed(data: bytes) -> bytes:
    """`data` behind its SHA-256 (FIPS 180-4), 32 bytes."""
    return hashlib.sha256(data).digest() + data


def unsealed(data: bytes) -> bytes | None:
    """What was sealed. None: a bit of it has changed, or it never was."""
    digest, rest = data[:_SHA256_BYTES], data[_SHA256_BYTES:]
    return rest if hashlib.sha256(rest).digest() == digest else None
