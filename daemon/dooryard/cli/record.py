"""`dooryard record`: the camera of a box into a folder, without gate, classifier, policy or alerts."""

from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path
from typing import TextIO

from dooryard.box.file import BoxFile, parse_box
from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.camera.blackout import behind
from dooryard.camera.scene import SceneCamera
from dooryard.core.clock import SystemClock
from dooryard.core.errors import EXIT_OK, ConfigError, StoreError
from dooryard.core.text_files import read_text
from dooryard.recording.image_files import SUFFIXES
from dooryard.recording.writer import INDEX, TRUTH, Recorder, RecorderSettings
from dooryard.rehearse.truth import TrueVisit, write_truth
from dooryard.service import build

_READ_S = 1.0


def record(
    box_file: Path | None, folder: Path, settings: RecorderSettings, stop: threading.Event, out: TextIO
) -> int:
    """Record until `stop`, the end of a simulated scene, or the recording's bound.

    Without a box file it records the simulated garden. A scene's truth is written beside it. Raises
    ConfigError for a `folder` that will not do; CameraError when the camera is in use by the service, or
    gone; StoreError when the disk refuses.
    """
    check_folder(folder)
    box = BoxFile.model_validate({"camera": {"kind": "scene"}})
    base = Path.cwd()
    if box_file is not None:
        box, base = parse_box(read_text(box_file), str(box_file)).value, box_file.resolve().parent
    camera = build.camera(box, base, SystemClock())
    about = {"camera": box.camera.model_dump(mode="json", exclude_none=True)}
    about["camera"].pop("folder", None)
    recorder = Recorder(folder, settings, about)
    record_camera(camera, recorder, stop)
    scene = behind(camera)
    if isinstance(scene, SceneCamera) and recorder.kept:
        (folder / TRUTH).write_text(write_truth(truth_of(scene)), encoding="utf-8")
    print(f"{recorder.kept} {'frame' if recorder.kept == 1 else 'frames'} in {folder}", file=out)
    if recorder.stopped is not None and recorder.stopped.startswith("the disk"):
        remedy = f"see that this user may write to {folder} and that there is room, or name another folder"
        raise StoreError(f"recording stopped: {recorder.stopped}", remedy)
    if recorder.stopped is not None:
        print(f"stopped: {recorder.stopped}", file=out)
    return EXIT_OK


def check_folder(folder: Path) -> None:
    """Raise ConfigError if `folder` cannot be one, or holds a recording or pictures already.

    Two recordings in one folder would be rehearsed as one, with the truth of the later.
    """
    there = next(path for path in (folder, *folder.parents) if path.exists())
    if not there.is_dir():
        raise ConfigError(f"{there} is a file", "name a folder to record into; it is made if it is not there")
    marks = (INDEX, f"*/{INDEX}", TRUTH, *(f"*{suffix}" for suffix in SUFFIXES))
    if folder.is_dir() and any(path for mark in marks for path in folder.glob(mark)):
        raise ConfigError(f"{folder} already holds a recording", "name another folder, or remove that one")


def record_camera(camera: Camera, recorder: Recorder, stop: threading.Event) -> None:
    """Every frame of `camera` to `recorder`, until `stop`, the end, or the recorder's own."""
    camera.open()
    try:
        while not stop.is_set() and recorder.stopped is None:
            try:
                recorder.take(camera.read(_READ_S))
            except CameraStalledError:
                continue
    except EndOfFramesError:
        pass  # a scene or a recording is over
    finally:
        recorder.close()
        camera.close()


def truth_of(camera: SceneCamera) -> tuple[TrueVisit, ...]:
    """Who really comes in a scene."""
    start = camera.plan.settings.start
    return tuple(
        TrueVisit(
            start=start + timedelta(seconds=visit.start_s),
            end=start + timedelta(seconds=visit.end_s),
            visitor=visit.group,
            species=visit.species,
        )
        for visit in camera.plan.visits
    )
