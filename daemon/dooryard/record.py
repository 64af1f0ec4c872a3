"""`dooryard record`: the camera of a box into a folder, without gate, classifier, policy or alerts."""

from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path
from typing import TextIO

from dooryard import build
from dooryard.box import BoxFile, parse_box
from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.camera.scene import SceneCamera
from dooryard.check import read_text
from dooryard.clock import SystemClock
from dooryard.errors import EXIT_OK, StoreError
from dooryard.recorder import TRUTH, Recorder, RecorderSettings
from dooryard.rehearse.truth import TrueVisit, write_truth

_READ_S = 1.0


def record(
    box_file: Path | None, folder: Path, settings: RecorderSettings, stop: threading.Event, out: TextIO
) -> int:
    """Record until `stop`, the end of a simulated scene, or the recording's bound.

    Without a box file it records the simulated garden. A scene's truth is written beside it. Raises
    CameraError when the camera is in use by the service, or gone; StoreError when the disk refuses.
    """
    box = BoxFile.model_validate({"camera": {"kind": "scene"}})
    base = Path.cwd()
    if box_file is not None:
        box, base = parse_box(read_text(box_file), str(box_file)).value, box_file.resolve().parent
    camera = build.camera(box, base, SystemClock())
    about = {"camera": box.camera.model_dump(mode="json", exclude_none=True)}
    about["camera"].pop("folder", None)
    recorder = Recorder(folder, settings, about)
    record_camera(camera, recorder, stop)
    if isinstance(camera, SceneCamera) and recorder.kept:
        (folder / TRUTH).write_text(write_truth(truth_of(camera)), encoding="utf-8")
    print(f"{recorder.kept} frames in {folder}", file=out)
    if recorder.stopped is not None and recorder.stopped.startswith("the disk"):
        raise StoreError(f"recording stopped: {recorder.stopped}", f"make room at {folder}, or name another")
    if recorder.stopped is not None:
        print(f"stopped: {recorder.stopped}", file=out)
    return EXIT_OK


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
