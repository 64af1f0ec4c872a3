"""The process that the camera's library runs in: `python -m dooryard.camera.picamera_worker SOCKET LUMA`.

The library never lets go of the interpreter's lock: a call that hangs in it freezes every thread of its
process. Here that is this one, and the service ends it. See `picamera_process` for the other side.
"""

from __future__ import annotations

import logging
import os
import resource
import signal
import socket
import sys
from collections.abc import Callable
from dataclasses import asdict

from dooryard.camera import picamera_faults, picamera_wire
from dooryard.camera.base import Camera, CameraStalledError
from dooryard.camera.picamera import PicameraCamera, Room, boottime_ns
from dooryard.camera.picamera_options import PicameraSettings
from dooryard.camera.picamera_rooms import WrittenRooms
from dooryard.core import log
from dooryard.core.clock import Clock, SystemClock
from dooryard.core.errors import CameraError
from dooryard.core.malloc import keep_memory_flat
from dooryard.core.records import Frame

_log = logging.getLogger(__name__)
Make = Callable[[PicameraSettings, Room], Camera]


class CameraWorker:
    """Answers on `link` until its other end is closed."""

    def __init__(self, link: socket.socket, luma_fd: int, make: Make, clock: Clock) -> None:
        self._link, self._luma_fd, self._make, self._clock = link, luma_fd, make, clock
        self._rooms = WrittenRooms()
        self._frame: Frame | None = None

    def serve(self) -> None:
        """Open the camera that the first message tells of, and give its frames; close it at the end."""
        try:
            first = picamera_wire.receive(self._link, None)
        except EOFError:
            return
        assert first is not None  # without a timeout
        settings = PicameraSettings.from_json(first[0])
        camera = self._make(settings, self._rooms)
        self._luma = picamera_wire.mapped(self._luma_fd, settings.luma_size[::-1], write=True)
        try:
            self._open(camera)
            while True:
                heard = picamera_wire.receive(self._link, None)
                assert heard is not None
                self._answer(camera, *heard)
        except (EOFError, BrokenPipeError, ConnectionResetError):
            _log.debug("the service has closed the connection")
        finally:
            camera.close()

    def _open(self, camera: Camera) -> None:
        try:
            picamera_faults.import_picamera2()
            self._say("loaded", 0)
            camera.open()
        except CameraError as error:
            self._say("failed", 0, what=error.what, remedy=error.remedy)
            raise EOFError from error
        self._say("open", 0)

    def _answer(self, camera: Camera, asked: picamera_wire.Message, fd: int | None) -> None:
        serial = asked["n"]
        try:
            if asked["do"] == "large":
                self._rooms.choose(asked, fd)
                self._say_large(serial)
            else:
                self._say_frame(camera.read(asked["timeout_s"]), serial)
        except CameraStalledError:
            self._say("stalled", serial)
        except CameraError as error:
            self._say("failed", serial, what=error.what, remedy=error.remedy)

    def _say_frame(self, frame: Frame, serial: int) -> None:
        self._frame = frame
        self._luma[:] = frame.luma
        # As a reading of the clock that both processes share, whatever the service's own clock is.
        age_s = self._clock.now().mono_s - frame.mono_s
        taken_ns = boottime_ns() - round(age_s * 1e9)
        self._say("frame", serial, taken_ns=taken_ns, exposure=asdict(frame.exposure), part=frame.part)

    def _say_large(self, serial: int) -> None:
        if self._frame is None:
            raise CameraError("there is no frame to enlarge", "read one first")
        self._frame.large()  # which writes it into the room
        self._say("large", serial)

    def _say(self, kind: str, serial: int, **more: object) -> None:
        picamera_wire.send(self._link, {"say": kind, "n": serial, **more})


def main() -> None:
    """Serve on the descriptors given as arguments, and end without the library's own clearing up."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the service says when: it closes the connection
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # when it hangs it is ended with SIGABRT
    log.set_up(os.environ)
    keep_memory_flat()
    clock = SystemClock()
    link = socket.socket(fileno=int(sys.argv[1]))
    status = 1
    try:
        CameraWorker(link, int(sys.argv[2]), lambda asked, room: _camera(asked, room, clock), clock).serve()
        status = 0
    except Exception:  # noqa: BLE001  (told; the service sees that it has ended)
        _log.exception("the camera's process fails")
    logging.shutdown()
    os._exit(status)  # what the library has registered to be done at the end may hang


def _camera(asked: PicameraSettings, room: Room, clock: Clock) -> Camera:
    return PicameraCamera.of(asked, clock, room=room)


if __name__ == "__main__":
    main()
