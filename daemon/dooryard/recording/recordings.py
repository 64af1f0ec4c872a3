"""A recording as a camera: a folder of frames, or a folder of such folders, as the recorder writes them."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path, PurePath

from dooryard.camera.base import Camera
from dooryard.recording.folder import FolderCamera
from dooryard.recording.image_files import SUFFIXES
from dooryard.recording.segments import SegmentsCamera

INDEX = "index.csv"


def recording_camera(
    folder: Path, index: Path | None, luma_size: tuple[int, int], time_zone: str | None
) -> Camera:
    """The recording in `folder`, not yet opened. `index` None: each folder's own index.csv, or EXIF times."""
    parts = parts_of(folder)
    if parts == [folder]:
        own = index or _index_in(folder)
        return FolderCamera(folder, index=own, luma_size=luma_size, time_zone=time_zone)
    make = [
        partial(FolderCamera, part, index=_index_in(part), luma_size=luma_size, time_zone=time_zone)
        for part in parts
    ]
    return SegmentsCamera(f"recording {folder}", make)


def parts_of(folder: Path) -> list[Path]:
    """The folder itself, or its folders that have an index, by name, where it holds no frames of its own."""
    if not folder.is_dir() or pictures_in(folder) or (folder / INDEX).exists():
        return [folder]
    parts = sorted(path.parent for path in folder.glob(f"*/{INDEX}"))
    return parts or [folder]


def pictures_in(folder: Path) -> int:
    """How many frames lie in `folder` itself."""
    with os.scandir(folder) as entries:
        return sum(
            PurePath(entry.name).suffix.lower() in SUFFIXES and not entry.name.startswith(".")
            for entry in entries
        )


def _index_in(folder: Path) -> Path | None:
    index = folder / INDEX
    return index if index.exists() else None
