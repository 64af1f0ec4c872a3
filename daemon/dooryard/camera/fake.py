"""A camera that does what a script says: frames, stalls, errors, disconnections.

One character a step, read from the left:

====  =====================================================================================
step  what happens
====  =====================================================================================
f     a frame
r     a frame that repeats the last picture, under a new number and time
b     a black frame
w     a white frame
g     a gap: nine frames are lost, then a frame
s     a stall: nothing comes within the timeout
e     an error in reading; the next read goes on
d     the camera is gone: every read fails until it is opened again
a     absent: the next `open` fails; several in a row fail as many times. A read finds it gone
====  =====================================================================================

Spaces are passed over. In a sequence a step may also be a picture (H×W×3 uint8): a frame of it.
At its end a recording is over; a live camera stalls for ever. `repeat` starts the script again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import datetime

import numpy as np

from dooryard.camera.base import CameraStalledError, EndOfFramesError
from dooryard.camera.luma import small_luma
from dooryard.core.clock import Clock, FakeClock
from dooryard.core.errors import CameraError
from dooryard.core.records import Frame, Rgb

STEPS = frozenset("frbwgseda")
_FRAMES = frozenset("frbwg")
_LOST_IN_GAP = 9

Step = str | Rgb


class FakeCamera:
    """The camera that `script` describes (see the table above, and `base.Camera`).

    Parameters
    ----------
    script : the steps
    picture : makes the picture of frame `number`, H×W×3 uint8; by default a plain one that changes
    live : whether frames arrive as the world goes, or are a recording
    repeat : start the script again at its end
    frames_per_s : how fast frames come
    luma_size : (width, height) of `Frame.luma`
    clock : what passes between frames; its own manual clock by default. With the machine's clock a
        live fake takes real time, as a real camera does.
    """

    def __init__(
        self,
        script: str | Sequence[Step],
        *,
        picture: Callable[[int], Rgb] | None = None,
        live: bool = False,
        repeat: bool = False,
        frames_per_s: float = 5.0,
        luma_size: tuple[int, int] = (320, 240),
        clock: Clock | None = None,
    ) -> None:
        self.name = "fake camera"
        self.live = live
        self.clock = clock or FakeClock()
        self._steps = [step for step in script if not _is_blank(step)]
        _check(self._steps, repeat)
        self._picture = picture or plain_picture
        self._repeat = repeat
        self._period_s = 1.0 / frames_per_s
        self._luma_size = luma_size
        self._never = threading.Event()  # only ever waited for
        self._next = 0  # place in the script
        self._number = 0
        self._last: Rgb | None = None
        self._due_s = 0.0  # monotonic; when the next frame comes
        self._opened = False
        self._after: datetime | None = None

    def open(self, after: datetime | None = None) -> None:
        self._opened = False
        if self._step_is("d"):
            self._next += 1
        if self._step_is("a"):
            self._next += 1
            raise CameraError(f"{self.name} is absent", "open it again later")
        self._opened = True
        self._after = None if self.live else after
        self._due_s = self.clock.now().mono_s + self._period_s

    def read(self, timeout_s: float) -> Frame:
        while True:
            frame = self._take(timeout_s)
            if self._after is None or frame.wall > self._after:
                return frame

    def close(self) -> None:
        self._opened = False

    def _take(self, timeout_s: float) -> Frame:
        """Do one step of the script."""
        if not self._opened:
            raise CameraError(f"{self.name} is not open", "open it before reading from it")
        if self._next >= len(self._steps) and self._repeat:
            self._next = 0
        if self._next >= len(self._steps):
            return self._over(timeout_s)
        step = self._steps[self._next]
        if not isinstance(step, str) or step in _FRAMES:
            return self._frame(step, timeout_s)
        if step in "da":  # passed by `open`
            raise CameraError(f"{self.name} is gone", "close it and open it again")
        self._next += 1
        if step == "e":
            raise CameraError(f"{self.name} could not read a frame", "close it and open it again")
        self.clock.wait(self._never, timeout_s)
        self._due_s = self.clock.now().mono_s + self._period_s
        raise CameraStalledError(f"no frame from {self.name} within {timeout_s:g} s")

    def _frame(self, step: Step, timeout_s: float) -> Frame:
        lost = _LOST_IN_GAP if isinstance(step, str) and step == "g" else 0
        wait_s = self._due_s + lost * self._period_s - self.clock.now().mono_s
        self.clock.wait(self._never, min(max(0.0, wait_s), timeout_s))
        if wait_s > timeout_s:  # it is still to come: the script stays where it is
            raise CameraStalledError(f"no frame from {self.name} within {timeout_s:g} s")
        self._next += 1
        self._number += 1 + lost
        shown = self._content(step)
        self._last = shown
        now = self.clock.now()
        in_step_s = self._due_s + (1 + lost) * self._period_s
        self._due_s = in_step_s if in_step_s > now.mono_s else now.mono_s + self._period_s
        return Frame(self._number, now.wall, now.mono_s, small_luma(shown, self._luma_size), shown.copy)

    def _content(self, step: Step) -> Rgb:
        if not isinstance(step, str):
            return step
        if step == "r" and self._last is not None:
            return self._last
        fresh = self._picture(self._number)
        if step in "bw":
            return np.full_like(fresh, 0 if step == "b" else 255)
        return fresh

    def _over(self, timeout_s: float) -> Frame:
        if not self.live:
            raise EndOfFramesError(f"{self.name} is at the end of its script")
        self.clock.wait(self._never, timeout_s)
        raise CameraStalledError(f"no frame from {self.name} within {timeout_s:g} s")

    def _step_is(self, wanted: str) -> bool:
        if self._next >= len(self._steps):
            return False
        step = self._steps[self._next]
        return isinstance(step, str) and step == wanted


def plain_picture(number: int) -> Rgb:
    """A 640×480 sky over grass whose brightness changes a little from frame to frame."""
    picture = np.empty((480, 640, 3), dtype=np.uint8)
    picture[:240] = (150, 180, 210)
    picture[240:] = (70, 110, 60)
    picture += np.uint8(number % 7)
    return picture


def _is_blank(step: Step) -> bool:
    return isinstance(step, str) and step.isspace()


def _check(steps: Sequence[Step], repeat: bool) -> None:
    unknown = sorted({step for step in steps if isinstance(step, str) and step not in STEPS})
    if unknown:
        raise CameraError(
            f"the fake camera's script has unknown steps: {' '.join(unknown)}",
            f"write it with the steps {' '.join(sorted(STEPS))}",
        )
    if repeat and not any(not isinstance(step, str) or step in _FRAMES for step in steps):
        raise CameraError("the fake camera repeats a script without a frame", "add an f to the script")
