"""Recordings by the names that the command line gives them, and the box that watches them.

A recording is a folder of frames, a folder of such folders (as the recorder writes them), a box file whose
camera is a recording, or ``scene`` for the simulated garden, ``scene:NAME`` for one of its scenes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from dooryard.box.camera import ALDER_ROW, FolderTable, SceneTable
from dooryard.box.file import BoxFile, parse_box, telling
from dooryard.box.kinds import CameraOptions
from dooryard.camera import base
from dooryard.camera.blackout import behind, within
from dooryard.camera.scene import SceneCamera
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError, ConfigError
from dooryard.core.records import Box
from dooryard.core.text_files import read_text
from dooryard.policy.schema import ALL_SINKS, Policy
from dooryard.recording.recordings import parts_of, pictures_in
from dooryard.service import build

SCENE = "scene"
STAND_IN_SINK = "phone"
_RECORDED = ("folder", "scene")


@dataclass(frozen=True, slots=True)
class Source:
    """A recording, with the box that watches it. Goes from one process to another."""

    name: str  # as it was given
    box: BoxFile
    base: Path  # what the box file's paths are relative to


def find(name: str, box: BoxFile, base: Path, *, time_zone: str) -> Source:
    """The recording called `name`, watched by `box`.

    `time_zone` is that of frames whose times state no offset, unless the box file says otherwise. Raises
    ConfigError or CameraError if there is no such recording.
    """
    if name == SCENE or name.startswith(SCENE + ":"):
        preset = name.partition(":")[2] or ALDER_ROW
        return Source(name, _with_camera(box, SceneTable, kind="scene", preset=preset), base)
    path = Path(name)
    if path.suffix == ".toml":
        own = parse_box(read_text(path), name).value
        if own.camera.kind not in _RECORDED:
            raise ConfigError(
                f'{name}: its camera is of kind "{own.camera.kind}", which is no recording',
                "name a folder of frames, or a box file whose camera is of kind folder or scene",
            )
        return Source(name, own, path.resolve().parent)
    if not path.is_dir():
        raise CameraError(
            f"there is no recording {name}", "name a folder of frames, a box file, or scene for the garden"
        )
    zone = getattr(box.camera, "time_zone", None) or time_zone
    mine = _with_camera(box, FolderTable, kind="folder", folder=str(path.resolve()), time_zone=zone)
    return Source(name, mine, base)


def camera_of(source: Source) -> base.Camera:
    """The recording as a camera, not yet opened."""
    return build.camera(source.box, source.base, FakeClock())


def folder_of(source: Source) -> Path | None:
    """Where the frames lie; None for a recording that isn't files."""
    table = source.box.camera
    return source.base / table.folder if isinstance(table, FolderTable) else None


def count_frames(source: Source) -> int:
    """How many frames there are, about: for the progress bar."""
    folder = folder_of(source)
    if folder is not None:
        return sum(pictures_in(part) for part in parts_of(folder))
    camera = behind(camera_of(source))
    return camera.plan.settings.frame_count if isinstance(camera, SceneCamera) else 0


def sinks_of(box: BoxFile, policies: Sequence[Policy]) -> frozenset[str]:
    """The box's sinks. A box without any gets those that the policies name, so that they can be tried."""
    if telling(box):
        return telling(box)
    named: set[str] = set()
    for policy in policies:
        named |= {sink for rule in policy.rule for sink in rule.send_to}
        named |= {sink for absence in policy.absence for sink in absence.send_to}
        named |= {sink.name for sink in policy.sink}
    return frozenset(named - {ALL_SINKS}) or frozenset({STAND_IN_SINK})


def _with_camera(box: BoxFile, options: type[CameraOptions], **given: str) -> BoxFile:
    """`box` with another camera; of its camera's keys only the sizes are kept, and what is not to be seen."""
    kept = {"luma_width", "luma_height"} & box.camera.model_fields_set
    keys: dict[str, object] = {key: getattr(box.camera, key) for key in kept}
    if options is FolderTable:  # a drawn garden is not the view that these parts are of
        keys["blackout"] = _hidden(box.camera)
    return box.model_copy(update={"camera": options.model_validate(keys | given)})


def _hidden(camera: CameraOptions) -> list[tuple[float, ...]]:
    """What is blacked out, relative to a recording's pictures: they show the region as it is now."""
    parts = [within(Box(*part), camera.shows) for part in camera.blackout]
    return [
        tuple(min(1.0, max(0.0, edge)) for edge in part)
        for part in parts
        if part.x0 < 1 and part.y0 < 1 and part.x1 > 0 and part.y1 > 0
    ]
