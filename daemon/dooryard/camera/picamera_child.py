"""Starts the camera's process, hears what it says, and ends it when it does not end by itself."""

from __future__ import annotations

import atexit
import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping

from dooryard.camera import picamera_wire
from dooryard.camera.picamera_options import PicameraSettings
from dooryard.camera.picamera_rooms import Rooms
from dooryard.core.errors import CameraError

_log = logging.getLogger(__name__)
_NOT_ITS = ("NOTIFY_SOCKET", "WATCHDOG_PID", "WATCHDOG_USEC")  # a process that speaks for the service
_LAST_WAIT_S = 2.0  # at the program's end
_DYING_S = 1.0  # after SIGABRT, which lets it print where it hangs


class Child:
    """One process with one camera. Belongs to one thread, but for `leave`'s own.

    Raises `CameraError` from `__init__` when it cannot be started.
    """

    def __init__(self, settings: PicameraSettings, name: str, environ: Mapping[str, str]) -> None:
        self._name = name
        self._link, theirs = picamera_wire.pair()
        width, height = settings.luma_size
        luma_fd = picamera_wire.new_room(width * height)
        try:
            self.luma = picamera_wire.mapped(luma_fd, (height, width))
            fds = theirs.fileno(), luma_fd
            self._process = subprocess.Popen(  # noqa: S603  (this program's own module)
                [
                    *(sys.executable, "-P", "-X", "faulthandler"),
                    *("-m", "dooryard.camera.picamera_worker", str(fds[0]), str(fds[1])),
                ],
                pass_fds=fds,
                stdin=subprocess.DEVNULL,
                stdout=2,  # what is printed there is no answer of a command
                env={key: value for key, value in environ.items() if key not in _NOT_ITS},
            )
        except OSError as error:
            self._link.close()
            raise CameraError(
                f"the process for {name} cannot be started: {error}",
                "see that there is memory to spare, then start the program again",
            ) from error
        finally:
            os.close(luma_fd)
            theirs.close()
        atexit.register(self._kill)
        self.rooms = Rooms((settings.large_size[1], settings.large_size[0], 3))
        self._leaving: threading.Thread | None = None
        self.say(settings.to_json())

    @property
    def pid(self) -> int:
        return self._process.pid

    def say(self, message: picamera_wire.Message, fd: int | None = None) -> None:
        """Send a message. That nobody is there is noticed when the answer is waited for."""
        try:
            picamera_wire.send(self._link, message, fd)
        except OSError as error:
            _log.debug("%s: not said: %s", self._name, error)

    def hear(self, timeout_s: float) -> picamera_wire.Message | None:
        """What it says; None: nothing in that time.

        Raises `CameraError` when it has ended.
        """
        try:
            heard = picamera_wire.receive(self._link, timeout_s)
            return None if heard is None else heard[0]
        except EOFError:
            what = f"the process of {self._name} {self._end()}"
            raise CameraError(what, "close it and open it again") from None

    def leave(self, *, settle_s: float, within_s: float) -> None:
        """Let it close the camera and end, and end it after `within_s`; wait for that `settle_s` at most."""
        self._link.close()
        self._leaving = threading.Thread(
            target=self._see_it_end, args=(within_s,), name="camera-close", daemon=True
        )
        self._leaving.start()
        self._leaving.join(settle_s)

    def gone(self, timeout_s: float) -> bool:
        """After `leave`: whether the process has ended, waiting for it up to `timeout_s`."""
        if self._leaving is not None:
            self._leaving.join(max(timeout_s, 0.0))
        return self._process.poll() is not None

    def given_up(self) -> bool:
        """After `leave`: whether it was ended and is there all the same, as only the kernel can keep it."""
        return self._leaving is not None and not self._leaving.is_alive() and not self.gone(0.0)

    def _see_it_end(self, within_s: float) -> None:
        for number, wait_s in ((None, within_s), (signal.SIGABRT, _DYING_S), (signal.SIGKILL, within_s)):
            if number is not None:
                _log.error("%s: the driver did not release it: signal %s", self._name, number.name)
                self._process.send_signal(number)
            try:
                self._process.wait(wait_s)
            except subprocess.TimeoutExpired:
                continue
            atexit.unregister(self._kill)
            return
        _log.error("%s: its process %d cannot be ended", self._name, self.pid)

    def _end(self) -> str:
        try:
            status = self._process.wait(_DYING_S)
        except subprocess.TimeoutExpired:
            return "does not answer any more"
        return f"was ended by signal {-status}" if status < 0 else f"ended with status {status}"

    def _kill(self) -> None:
        """At the program's end: let it close the camera, but what hangs must not outlive the program."""
        self._link.close()
        if self._leaving is not None:
            self._leaving.join(_LAST_WAIT_S)
        if self._process.poll() is None:
            self._process.kill()
