"""Where photographs and lists that are not part of the project lie, if they are there."""

import os
from pathlib import Path

import pytest

BESIDE_THE_PROJECT = Path(__file__).resolve().parents[2].parent / "shared" / "media"


def media(*parts: str) -> Path:
    """Return a path in the media folder (DOORYARD_MEDIA, else beside the repository), or skip."""
    path = Path(os.environ.get("DOORYARD_MEDIA", BESIDE_THE_PROJECT), *parts)
    if not path.exists():
        pytest.skip(f"{path} is not there: set DOORYARD_MEDIA to the folder of photographs")
    return path
