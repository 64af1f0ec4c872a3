"""How much faster than real time a rehearsal of a quiet recording is, on one core, and what bounds it.

    python tools/bench_rehearse.py [--minutes 10] [--folder KEEP]

Draws a calm garden without visitors at 320x240 and 5 frames a second, writes it as JPEG files, and
rehearses it; then times reading the frames alone, and the gate alone on frames that are in memory.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from dooryard import gate
from dooryard.box.file import BoxFile
from dooryard.camera.base import Camera, EndOfFramesError
from dooryard.camera.garden.families import family
from dooryard.camera.scene import SceneCamera
from dooryard.cli.record import record_camera
from dooryard.core.records import Frame
from dooryard.gate import GateSettings, GateState
from dooryard.policy.schema import Policy
from dooryard.recording.writer import Recorder, RecorderSettings
from dooryard.rehearse.jobs import Job, do
from dooryard.rehearse.sources import Source, camera_of, find

T = TypeVar("T")
WANTED_TIMES = 100.0
FRAMES_PER_S = 5.0


@dataclass(frozen=True)
class Scheduler:
    """Seconds of processor time, and of the wall."""

    cpu_s: float
    wall_s: float


def main() -> int:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    arguments.add_argument("--minutes", type=float, default=10.0)
    arguments.add_argument("--folder", type=Path, help="keep the recording here, and use it again")
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = chosen.folder or Path(temporary)
        if not any(folder.glob("*/index.csv")):
            draw(folder, chosen.minutes * 60)
        return report(find(str(folder), BoxFile(), folder, time_zone="UTC"), folder)


def draw(folder: Path, seconds: float) -> None:
    """A calm garden in which nobody comes."""
    settings = family(
        "calm", 7, duration_s=seconds, width=320, height=240, frames_per_s=FRAMES_PER_S, visits=()
    )
    recorder = Recorder(folder, RecorderSettings(frames_per_s=2 * FRAMES_PER_S, leave_free_bytes=0))
    record_camera(SceneCamera(settings), recorder, threading.Event())


def report(source: Source, folder: Path) -> int:
    for answers in folder.glob(".dooryard-answers-*"):
        answers.unlink()
    frames = list(played(camera_of(source)))
    lasts_s = frames[-1].mono_s - frames[0].mono_s
    job = Job(0, source, (("built in", Policy()),), frozenset({"phone"}))
    done, whole = timed(lambda: do(job, lambda _part: None))
    _, reading = timed(lambda: sum(1 for _ in played(camera_of(source))))
    _, watching = timed(lambda: watched(frames))
    print(f"{len(frames)} frames, {lasts_s:.0f} s; {len(done[0].seen)} visits, {done[0].looks} looks")
    for name, took in (("rehearsal", whole), ("reading the frames", reading), ("the gate alone", watching)):
        ms = 1000 * took.cpu_s / len(frames)
        print(
            f"  {name:<19} {took.cpu_s:6.2f} s of processor, {ms:5.2f} ms a frame, "
            f"{lasts_s / took.cpu_s:5.0f} times real time ({lasts_s / took.wall_s:.0f} by the wall)"
        )
    return 0 if lasts_s / whole.cpu_s >= WANTED_TIMES else 1


def played(camera: Camera) -> list[Frame]:
    camera.open()
    frames = []
    try:
        while True:
            frames.append(camera.read(1.0))
    except EndOfFramesError:
        camera.close()
    return frames


def watched(frames: list[Frame]) -> int:
    state: GateState | None = None
    moved = 0
    for frame in frames:
        state, motions = gate.watch(state, frame.luma, frame.mono_s, GateSettings())
        moved += len(motions)
    return moved


def timed(work: Callable[[], T]) -> tuple[T, Scheduler]:
    cpu_s, wall_s = time.process_time(), time.perf_counter()
    result = work()
    return result, Scheduler(time.process_time() - cpu_s, time.perf_counter() - wall_s)


if __name__ == "__main__":
    sys.exit(main())
