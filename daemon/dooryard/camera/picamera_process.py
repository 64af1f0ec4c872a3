"""A board's own camera in a process of its own, so that a hang of its driver stops nothing else.

The bindings of the camera's library hold the interpreter's lock while they are in the library: in one
process with it, a call that hangs would freeze the button, the deliveries and the halt with it.

What it costs, and how that was measured, stands in DEVELOPERS.md. The small picture is copied once more,
out of memory that both share; the large one lies in memory of its own, which is handed over uncopied.

No call here takes longer than it is given: `read` its timeout, `close` a third of a second (a thread
sees to the rest), `open` its bounds, in steps of any length for who must not wait (`open_in_steps`).
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from functools import partial

from dooryard.camera import picamera_wire
from dooryard.camera.base import CameraStalledError
from dooryard.camera.picamera import PicameraCamera, boottime_ns
from dooryard.camera.picamera_child import Child
from dooryard.camera.picamera_options import PicameraSettings
from dooryard.core.clock import Clock
from dooryard.core.errors import CameraError, StuckError
from dooryard.core.records import Box, Exposure, Frame, Luma, Moment, Rgb

_log = logging.getLogger(__name__)
_GONE = "close it and open it again"


class PicameraProcess:
    """The camera of `settings`, as `base.Camera` and `base.OpensInSteps`. Belongs to one thread.

    Parameters
    ----------
    clock : where frame times come from, by way of the age that the frame has
    settings : checked at once; raises `CameraError` for what cannot be
    environ : of the process that is started
    load_within_s : for the library to be loaded, which is slow from a memory card
    open_within_s : for the device then to start
    close_within_s : how long closing may take before the process is ended
    settle_s : how long `close` waits for that itself
    large_within_s : how long a large picture may take
    boottime : nanoseconds of CLOCK_BOOTTIME now
    """

    live = True

    # Longer than most: it only puts down what it is given.
    def __init__(
        self,
        clock: Clock,
        settings: PicameraSettings,
        *,
        environ: Mapping[str, str] = os.environ,
        load_within_s: float = 60.0,
        open_within_s: float = 20.0,
        close_within_s: float = 5.0,
        settle_s: float = 0.3,
        large_within_s: float = 1.0,
        boottime: Callable[[], int] = boottime_ns,
    ) -> None:
        self.name = PicameraCamera.of(settings, clock).name  # which raises for what cannot be
        self._clock, self._settings, self._environ = clock, settings, environ
        self._load_within_s, self._open_within_s = load_within_s, open_within_s
        self._close_within_s, self._settle_s = close_within_s, settle_s
        self._large_within_s = large_within_s
        self._boottime = boottime
        self._child: Child | None = None
        self._leaving: Child | None = None  # one that was told to end
        self._opened = False
        self._phase, self._phase_until_s = "", 0.0
        self._serial = 0
        self._asked: int | None = None  # the serial of a read that was not answered yet
        self._number = 0
        self._in_hand: int | None = None  # the frame whose large picture can be had
        self._last_mono_s = float("-inf")

    def open(self, after: datetime | None = None) -> None:
        del after  # a live camera has no past
        self.close()
        while not self.open_in_steps(1.0):
            pass

    def open_in_steps(self, within_s: float) -> bool:
        """Go on opening for `within_s`; True once it is open. Raises `CameraError` as `open` does."""
        if self._opened:
            return True
        if self._child is None and not self._begin(within_s):
            return False
        assert self._child is not None
        try:
            heard = self._child.hear(within_s)
        except CameraError:
            self.close()
            raise
        if heard is None:
            if self._clock.now().mono_s >= self._phase_until_s:
                self.close()
                raise CameraError(
                    f"{self.name} {self._phase}",
                    "see the camera's lines in the system journal; power off and reseat its ribbon",
                )
            return False
        if heard["say"] == "failed":
            self.close()
            raise CameraError(heard["what"], heard["remedy"])
        if heard["say"] == "loaded":
            self._wait_for(f"did not start within {self._open_within_s:g} s", self._open_within_s)
            return False
        self._opened = True
        return True

    def read(self, timeout_s: float) -> Frame:
        child = self._child
        if child is None or not self._opened:
            raise CameraError(f"{self.name} is not open", "open it before reading from it")
        until_s = self._clock.now().mono_s + timeout_s
        self._in_hand = None
        left_s = timeout_s
        while left_s > 0:
            # What was not answered in time is waited for again, not asked for a second time.
            if self._asked is None:
                self._asked = self._ask(child, "read", timeout_s=left_s)
            answer = self._answer(child, self._asked, left_s)
            if answer is None:
                break
            self._asked = None
            if answer["say"] == "frame":
                return self._frame(answer, child)
            left_s = until_s - self._clock.now().mono_s
        raise CameraStalledError(f"no frame from {self.name} within {timeout_s:g} s")

    def close(self) -> None:
        """Let go of the camera. What takes longer than a moment is waited for, and ended, by a thread."""
        child, self._child = self._child, None
        self._opened, self._asked, self._in_hand = False, None, None
        if child is not None:
            child.leave(settle_s=self._settle_s, within_s=self._close_within_s)
            self._leaving = child

    def _begin(self, within_s: float) -> bool:
        """Start the process, once the one before has gone: one at a time can have the camera."""
        if self._leaving is not None and not self._leaving.gone(within_s):
            if self._leaving.given_up():
                raise StuckError(
                    f"{self.name} has not been released: the driver does not answer",
                    "end the program; if the camera stays away after a restart, restart the board",
                )
            return False
        self._leaving = None
        self._child = Child(self._settings, self.name, self._environ)
        told = f"did not load its library within {self._load_within_s:g} s"
        self._wait_for(told, self._load_within_s)
        return True

    def _wait_for(self, otherwise: str, within_s: float) -> None:
        self._phase, self._phase_until_s = otherwise, self._clock.now().mono_s + within_s

    def _ask(self, child: Child, what: str, fd: int | None = None, **more: object) -> int:
        self._serial += 1
        child.say({"do": what, "n": self._serial, **more}, fd)
        return self._serial

    def _answer(self, child: Child, serial: int, timeout_s: float) -> picamera_wire.Message | None:
        """The answer to `serial`; None: it did not come in time. Raises `CameraError` for one that failed."""
        until_s = self._clock.now().mono_s + timeout_s
        while (heard := child.hear(until_s - self._clock.now().mono_s)) is not None:
            if heard["n"] != serial:
                continue  # to a question that nobody waits for any more
            if heard["say"] == "failed":
                self._asked = None
                raise CameraError(heard["what"], heard["remedy"])
            return heard
        return None

    def _frame(self, told: picamera_wire.Message, child: Child) -> Frame:
        moment = self._taken_at(told["taken_ns"])
        self._number += 1
        self._in_hand = self._number
        luma: Luma = child.luma.copy()  # what is shared is written over by the next
        luma.setflags(write=False)
        return Frame(
            number=self._number,
            wall=moment.wall,
            mono_s=moment.mono_s,
            luma=luma,
            large=partial(self._large, self._number),
            exposure=Exposure(**told["exposure"]),
            part=None if told["part"] is None else Box(*told["part"]),
        )

    def _taken_at(self, taken_ns: int) -> Moment:
        """When the frame was taken, by this process's clock: now, less the age that the frame has."""
        now = self._clock.now()
        age_s = max(0.0, (self._boottime() - taken_ns) / 1e9)
        mono_s = self._last_mono_s = max(self._last_mono_s, now.mono_s - age_s)
        return Moment(now.wall - timedelta(seconds=age_s), mono_s)

    def _large(self, number: int) -> Rgb:
        child = self._child
        if child is None or number != self._in_hand:
            raise RuntimeError(
                f"frame {number} of {self.name} has been given back: its large picture is gone"
            )
        rooms = child.rooms
        room = rooms.take()
        asked = self._ask(
            child, "large", room.fd, room=room.number, shape=rooms.shape, forget=rooms.dropped()
        )
        rooms.told(room)
        try:
            answer = self._answer(child, asked, self._large_within_s)
        except CameraError:
            rooms.drop(room)
            raise
        if answer is None:
            rooms.drop(room)
            raise CameraError(
                f"the large picture of {self.name} did not come within {self._large_within_s:g} s", _GONE
            )
        return rooms.picture(room)
