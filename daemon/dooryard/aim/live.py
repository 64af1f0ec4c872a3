"""The loop: frames from the camera through the gate, and the newest picture for whoever looks. Edge.

The picture is made once a frame, however many look at it, and not at all while nobody does.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
from PIL import Image

from dooryard import gate
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.supervisor import CameraSupervisor
from dooryard.core.clock import Clock
from dooryard.core.errors import CameraError
from dooryard.core.records import Exposure, Frame, Motion, Rgb
from dooryard.gate import GateSettings, GateState

MOST_VIEWERS = 2
_LONGER_PX, _MOST_BYTES, _QUALITIES = 960, 150_000, (72, 55, 40, 25)
_GONE_S = 8.0  # a viewer that has not asked for so long has closed the page
_READ_S, _REST_S = 0.5, 0.1
_MOST_MOTIONS = 20
_EARLY = 0.1  # of the time between two pictures: a frame that comes so early is shown


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """A frame as it is shown."""

    number: int  # of the shot, from 1 on
    jpeg: bytes
    pixels: Rgb  # the large picture
    motions: tuple[Motion, ...]  # the strongest first
    learning: bool  # the gate does not know the view yet
    exposure: Exposure


@dataclass(slots=True)
class _Viewer:
    asked_s: float
    had: int = 0  # the number of the shot that it was given last


@dataclass(slots=True)
class Gallery:
    """The newest shot, and who looks at it. Used by the loop's thread and by the server's."""

    clock: Clock
    most: int = MOST_VIEWERS
    _shot: Shot | None = None
    _viewers: dict[str, _Viewer] = field(default_factory=dict)
    _news: threading.Condition = field(default_factory=threading.Condition)

    @property
    def shot(self) -> Shot | None:
        return self._shot

    def show(self, shot: Shot) -> None:
        with self._news:
            self._shot = shot
            self._news.notify_all()

    def is_watched(self) -> bool:
        """Whether anybody looks."""
        with self._news:
            self._forget()
            return bool(self._viewers)

    def admit(self, name: str) -> bool:
        """Whether this viewer may look: one of the first `most`, the others gone."""
        with self._news:
            self._forget()
            if name not in self._viewers and len(self._viewers) >= self.most:
                return False
            viewer = self._viewers.setdefault(name, _Viewer(0.0))
            viewer.asked_s = self.clock.now().mono_s
            return True

    def leave(self, name: str) -> None:
        with self._news:
            self._viewers.pop(name, None)

    def next(self, name: str, patience_s: float) -> Shot | None:
        """The newest shot that this viewer has not had, each once; None where none came in that time."""
        with self._news:
            viewer = self._viewers.get(name) or _Viewer(0.0)
            self._news.wait_for(lambda: self._shot and self._shot.number > viewer.had, patience_s)
            if self._shot is None or self._shot.number <= viewer.had:
                return None
            viewer.had = self._shot.number
            return self._shot

    def _forget(self) -> None:
        now_s = self.clock.now().mono_s
        for name in [name for name, each in self._viewers.items() if now_s - each.asked_s > _GONE_S]:
            del self._viewers[name]


def jpeg_of(picture: Rgb) -> bytes:
    """`picture`, uint8 of shape (H, W, 3), no longer than 960 pixels and no larger than 150 kB."""
    image, data = Image.fromarray(_reduced(picture)), b""
    for quality in _QUALITIES:
        out = io.BytesIO()
        image.save(out, "JPEG", quality=quality)
        data = out.getvalue()
        if len(data) <= _MOST_BYTES:
            break
    return data


def _reduced(picture: Rgb) -> Rgb:
    """By a whole number first, then by the rest: means over parts of pixels cost five times as much."""
    height, width = picture.shape[:2]
    part = _LONGER_PX / max(height, width)
    if part >= 1:
        return picture
    size = (max(1, round(width * part)), max(1, round(height * part)))
    whole = int(1 / part)
    if whole > 1:
        rough = (width // whole, height // whole)
        picture = cv2.resize(picture, rough, interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
    return cv2.resize(picture, size, interpolation=cv2.INTER_LINEAR)  # type: ignore[return-value]


@dataclass(slots=True)
class LiveLoop:
    """Reads a camera until it is told to stop, or until the time is up."""

    keeper: CameraSupervisor
    rules: GateSettings
    gallery: Gallery
    clock: Clock
    frames_per_s: float  # that are shown; the gate sees every frame
    _gate: GateState | None = None
    _due_s: float = float("-inf")
    _began_s: tuple[float, float] | None = None  # of a recording: the clock's time, and the first frame's
    _shots: int = 0

    def run(self, stop: threading.Event, until_s: float) -> None:
        """`until_s` is monotonic. Raises CameraError where the camera does not open, or stays away."""
        self.keeper.open()
        while not stop.is_set() and (now_s := self.clock.now().mono_s) < until_s:
            try:
                frame = self.keeper.read(now_s, min(_READ_S, until_s - now_s))
            except EndOfFramesError:
                self._start_over()
                continue
            if frame is None:
                self.clock.wait(stop, _REST_S)  # a camera that is lost answers at once
            else:
                self._take(frame, stop)

    def _start_over(self) -> None:
        if self._began_s is None:
            raise CameraError(f"{self.keeper.camera.name} has no frame", "name a recording that has some")
        self._began_s = self._gate = None
        self.keeper.close()
        self.keeper.open()

    def _take(self, frame: Frame, stop: threading.Event) -> None:
        self._gate, motions = gate.watch(self._gate, frame.luma, frame.mono_s, self.rules)
        if not self.keeper.camera.live:
            self._pace(frame, stop)
        now_s, period_s = self.clock.now().mono_s, 1 / self.frames_per_s
        if now_s < self._due_s - _EARLY * period_s or not self.gallery.is_watched():
            return
        # In step with the pace, not with the last one: else 5 frames a second show 1.7 where 2 are due.
        self._due_s += period_s
        if self._due_s <= now_s:
            self._due_s = now_s + period_s
        self._shots += 1
        self.gallery.show(self._shot(frame, motions, learning=not self._gate.ready))

    def _pace(self, frame: Frame, stop: threading.Event) -> None:
        """A recording is shown as fast as it was taken."""
        now_s = self.clock.now().mono_s
        if self._began_s is None:
            self._began_s = now_s, frame.mono_s
        began_s, first_s = self._began_s
        ahead_s = frame.mono_s - first_s - (now_s - began_s)
        if ahead_s > 0:
            self.clock.wait(stop, ahead_s)

    def _shot(self, frame: Frame, motions: Sequence[Motion], *, learning: bool) -> Shot:
        pixels = frame.large()
        strongest = sorted(motions, key=lambda each: -each.score)[:_MOST_MOTIONS]
        return Shot(self._shots, jpeg_of(pixels), pixels, tuple(strongest), learning, frame.exposure)
