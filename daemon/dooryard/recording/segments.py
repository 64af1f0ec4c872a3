"""A recording that lies in several folders, one after the other, as a single camera."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from dooryard.camera.base import Camera, EndOfFramesError
from dooryard.core.errors import CameraError
from dooryard.core.records import Frame


class SegmentsCamera:
    """Plays `parts`, each opened when the one before it has ended (see `camera.base.Camera`).

    Frame numbers go on from part to part. Monotonic times do as well where a part goes on with those of
    the last one; where they begin again, as after a reboot, the wall times say how long was between.
    """

    live = False

    def __init__(self, name: str, parts: Sequence[Callable[[], Camera]]) -> None:
        if not parts:
            raise ValueError("a recording has at least one part")
        self.name = name
        self._parts = tuple(parts)
        self._frames: Iterator[Frame] | None = None
        self._camera: Camera | None = None
        self.notes: list[object] = []
        self.passed_over = 0

    def open(self, after: datetime | None = None) -> None:
        self.close()
        self.notes, self.passed_over = [], 0
        self._frames = self._played(after)

    def read(self, timeout_s: float) -> Frame:
        del timeout_s  # a recording is never waited for
        if self._frames is None:
            raise CameraError(f"{self.name} is not open", "open it before reading from it")
        for frame in self._frames:
            return frame
        raise EndOfFramesError(f"{self.name} is over")

    def close(self) -> None:
        self._frames = None
        if self._camera is not None:
            self._camera.close()
            self._camera = None

    def _played(self, after: datetime | None) -> Iterator[Frame]:
        last: Frame | None = None
        for make in self._parts:
            self._camera = camera = make()
            camera.open(after)
            base, shift_s = last.number if last else 0, 0.0
            for number, frame in enumerate(_frames(camera)):
                if number == 0 and last is not None and frame.mono_s < last.mono_s:
                    gap_s = max(0.0, (frame.wall - last.wall).total_seconds())
                    shift_s = last.mono_s + gap_s - frame.mono_s
                last = replace(frame, number=base + frame.number, mono_s=frame.mono_s + shift_s)
                yield last
            self.notes += getattr(camera, "notes", [])
            self.passed_over += getattr(camera, "passed_over", 0)
            camera.close()


def _frames(camera: Camera) -> Iterator[Frame]:
    while True:
        try:
            yield camera.read(1.0)
        except EndOfFramesError:
            return
