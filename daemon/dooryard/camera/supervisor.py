"""Keeps a camera open: stalls, losses, and rest outside the watch hours."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime

from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError, OpensInSteps
from dooryard.core.errors import CameraError
from dooryard.core.log import say
from dooryard.core.records import Frame

_log = logging.getLogger("dooryard.camera")
_STEP_S = 0.5  # of an opening that takes long, so that the button is heard within two seconds


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait for a camera."""

    stall_after_s: float = 5.0  # no frame for this long: a stall
    reopen_after_s: tuple[float, ...] = (1.0, 2.0, 5.0, 10.0, 30.0)  # waits between tries; the last repeats
    give_up_after_s: float = 300.0  # no frame for this long: the service ends itself


class CameraSupervisor:
    """Reads frames and brings the camera back when it is lost. Times are monotonic seconds."""

    def __init__(self, camera: Camera, patience: Patience) -> None:
        self.camera = camera
        self._patience = patience
        self._open = False
        self._peeked: Frame | None = None
        self._last_frame_s: float | None = None
        self._lost_at_s: float | None = None
        self._tries = 0
        self._retry_at_s = 0.0
        self._opening = False  # in steps, and not through

    @property
    def trouble(self) -> bool:
        """True while frames are missing."""
        return self._lost_at_s is not None

    def open(self, after: datetime | None = None) -> None:
        """Open for the first time. A `CameraError` here is final: somebody is there to read it."""
        self.camera.open(after)
        self._open = True

    def open_in_steps(self) -> bool:
        """As `open`, for a moment at a time where the camera can; True once it is open. Raises as `open`."""
        if not self._open and isinstance(self.camera, OpensInSteps):
            self._open = self.camera.open_in_steps(_STEP_S)
        elif not self._open:
            self.open()
        return self._open

    def peek(self) -> Frame | None:
        """The first frame of a recording, which `read` then gives; None when there is none."""
        try:
            self._peeked = self.camera.read(self._patience.stall_after_s)
        except (CameraStalledError, EndOfFramesError):
            self._peeked = None
        return self._peeked

    def rest(self) -> None:
        """Close the camera until `wake`. A recording is left open: its frames are the clock."""
        if self.camera.live:
            self.close()

    def wake(self, mono_s: float) -> None:
        if not self._open:
            self._last_frame_s, self._tries, self._retry_at_s = mono_s, 0, mono_s
            self._reopen(mono_s, 0.0)

    def read(self, mono_s: float, timeout_s: float) -> Frame | None:
        """The next frame; None when none came within `timeout_s`.

        Raises `EndOfFramesError` at the end of a recording, and `CameraError` when the camera was gone
        for longer than `give_up_after_s`.
        """
        if self._peeked is not None:
            frame, self._peeked = self._peeked, None
            return frame
        if not self._open and not self._reopen(mono_s, timeout_s):
            return None
        try:
            frame = self.camera.read(min(timeout_s, self._patience.stall_after_s))
        except CameraStalledError:
            self._stalled(mono_s)
            return None
        except CameraError as error:
            self._missed(mono_s, error.what)
            self.close()
            return None
        if self._lost_at_s is not None:
            say(_log, logging.WARNING, "camera back", after_s=round(mono_s - self._lost_at_s, 1))
        self._last_frame_s, self._lost_at_s, self._tries = mono_s, None, 0
        return frame

    def close(self) -> None:
        self.camera.close()
        self._open = self._opening = False

    def _stalled(self, mono_s: float) -> None:
        if self._last_frame_s is None:
            self._last_frame_s = mono_s
        if mono_s - self._last_frame_s >= self._patience.stall_after_s:
            self._missed(mono_s, "no frame came")
            self.close()

    def _missed(self, mono_s: float, why: str) -> None:
        if self._lost_at_s is None:
            self._lost_at_s = mono_s
            say(_log, logging.WARNING, "camera lost", camera=self.camera.name, why=why)
        elif mono_s - self._lost_at_s > self._patience.give_up_after_s:
            waited_s = self._patience.give_up_after_s
            raise CameraError(
                f"The camera {self.camera.name} gave no frame for {waited_s:.0f} s: {why}",
                "check its cable and power; the service manager will start the service again",
            )

    def _reopen(self, mono_s: float, timeout_s: float) -> bool:
        """Try to open the camera; in steps of `timeout_s` where it can, so that a halt waits no longer."""
        if not self._opening:
            if mono_s < self._retry_at_s:
                return False
            waits = self._patience.reopen_after_s
            self._retry_at_s = mono_s + waits[min(self._tries, len(waits) - 1)]
            self._tries += 1
        try:
            if isinstance(self.camera, OpensInSteps):
                self._opening = not self.camera.open_in_steps(min(timeout_s, _STEP_S))
            else:
                self.camera.open()
        except CameraError as error:
            self._opening = False
            self._missed(mono_s, error.what)
            return False
        self._open = not self._opening
        return self._open
