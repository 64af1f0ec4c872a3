"""A board's own camera, through picamera2 (its calls as of 0.3.36), imported only when it is opened.

Two streams are configured once: a large one in colour, read only when asked for, and a small YUV one
whose Y plane is the luma. No raw stream, few buffers: contiguous memory is short on small boards.

Colour order: picamera2's formats are named for a little-endian word, so its "RGB888" lies in memory
as blue, green, red and its "BGR888" as red, green, blue (picamera2 0.3.36, request.py,
`Helpers._get_pil_mode`; its issue #191). "BGR888" is therefore what is asked for, and needs no swap.

Never a call that can wait for ever: frames are taken through a job that is waited for with a
deadline, and letting go of the device happens on a thread of its own with another.
"""

from __future__ import annotations

import atexit
import dataclasses
import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from dooryard.camera import picamera_faults
from dooryard.camera.base import CameraStalledError
from dooryard.camera.picamera_opening import Opening, let_go
from dooryard.camera.picamera_options import (
    PicameraOptions,
    PicameraSettings,
    Shown,
    check_sizes,
    controls,
    crop_fault,
    problems,
)
from dooryard.core.clock import Clock
from dooryard.core.errors import CameraError, StuckError
from dooryard.core.records import Exposure, Frame, Luma, Moment, Rgb

_log = logging.getLogger(__name__)
_OLDEST_S = 600.0  # a sensor time further back than this is no time of a frame in hand
_GONE = "close it and open it again"
Room = Callable[[tuple[int, ...]], npt.NDArray[np.uint8]]
"""Gives an array of that shape for a large picture to be put into."""


def boottime_ns() -> int:
    """Nanoseconds since boot, sleep included: the clock that libcamera stamps frames with."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def _own_memory(shape: tuple[int, ...]) -> npt.NDArray[np.uint8]:
    return np.empty(shape, np.uint8)


class PicameraCamera:
    """The camera number `camera_index` of this board (see `base.Camera`).

    It belongs to the thread that opened it; `close` may be called from another once that one has
    stopped reading.

    Parameters
    ----------
    clock : where frame times come from, by way of the age of the sensor's own time stamp
    large_size, luma_size : (width, height), even numbers; luma no larger than large
    frames_per_s : held by fixing the frame duration
    buffers : at least 3: one in hand, one finished, the rest being filled
    options : exposure, white balance, focus, region, half a turn
    open_within_s, close_within_s : how long each may take before the device counts as stuck
    boottime : nanoseconds of CLOCK_BOOTTIME now; None: the machine's
    room : where large pictures go; None: memory of this process
    """

    live = True

    # Longer than most: it only puts down what it is given.
    def __init__(
        self,
        clock: Clock,
        *,
        camera_index: int = 0,
        large_size: tuple[int, int] = (1640, 1232),
        luma_size: tuple[int, int] = (320, 240),
        frames_per_s: float = 10.0,
        buffers: int = 4,
        options: PicameraOptions | None = None,
        open_within_s: float = 20.0,
        close_within_s: float = 5.0,
        boottime: Callable[[], int] | None = None,
        room: Room | None = None,
    ) -> None:
        self._options = options or PicameraOptions()
        check_sizes(large_size, luma_size, frames_per_s, buffers)
        faults = problems(self._options, frames_per_s)
        if faults:
            raise CameraError("; ".join(faults), "fix the [camera] table of the box file")
        self.name = f"board camera {camera_index}"
        self._clock, self._index = clock, camera_index
        self._large_size, self._luma_size = large_size, luma_size
        self._frame_us, self._buffers = round(1e6 / frames_per_s), buffers
        self._open_within_s, self._close_within_s = open_within_s, close_within_s
        self._boottime = boottime or boottime_ns
        self._room: Room = room or _own_memory
        self._library: Any = None  # the module
        self._device: Any = None  # its Picamera2 object while open
        self._job: Any = None  # a capture that was asked for and has not come yet
        self._request: Any = None  # the frame in hand; its buffers are ours until released
        self._owner: int | None = None
        self._opening: Opening | None = None
        self._closing: threading.Thread | None = None
        self._crop: Any = None  # what was asked for, until a frame has shown what came of it
        self._shown = Shown()
        self._number, self._last_mono_s = 0, float("-inf")
        self._doubted_time = False

    @classmethod
    def of(cls, settings: PicameraSettings, clock: Clock, *, room: Room | None = None) -> PicameraCamera:
        """The camera that `settings` describe."""
        fields = {field.name: getattr(settings, field.name) for field in dataclasses.fields(settings)}
        return cls(clock, room=room, **fields)

    def open(self, after: datetime | None = None) -> None:
        del after  # a live camera has no past
        self.close()
        opening, closing = self._opening, self._closing
        if (opening is not None and opening.hangs()) or (closing is not None and closing.is_alive()):
            raise StuckError(
                f"{self.name} has not been released: the driver does not answer",
                "end the program; if the camera stays away after a restart, restart the board",
            )
        self._library = picamera_faults.import_picamera2()
        buffers_mib = self._buffers * (self._large_size[0] * self._large_size[1] * 3) / 2**20
        self._opening = Opening(self._start, partial(let_go, name=self.name))
        try:
            self._device = self._opening.wait(self._open_within_s)
        except TimeoutError:
            raise CameraError(
                f"{self.name} did not start within {self._open_within_s:g} s",
                "see the camera's lines in the system journal; power off and reseat its ribbon",
            ) from None
        except picamera_faults.LIBRARY_ERRORS as error:
            raise picamera_faults.camera_error(error, self._index, buffers_mib) from error
        self._owner = threading.get_ident()

    def read(self, timeout_s: float) -> Frame:
        device = self._device
        if device is None:
            raise CameraError(f"{self.name} is not open", "open it before reading from it")
        if threading.get_ident() != self._owner:
            raise RuntimeError(f"{self.name} is read from a thread that did not open it")
        try:
            self._release()
            # A capture that came too late is waited for again, not asked for a second time: the
            # library would give the next frame to the forgotten one, and lose its buffer for good.
            if self._job is None:
                self._job = device.capture_request(wait=False)
            self._request = device.wait(self._job, timeout=timeout_s)
            self._job = None
            return self._frame(self._request)
        except TimeoutError:
            raise CameraStalledError(f"no frame from {self.name} within {timeout_s:g} s") from None
        except (*picamera_faults.LIBRARY_ERRORS, CancelledError) as error:
            raise CameraError(f"{self.name} failed: {type(error).__name__}: {error}", _GONE) from error

    def close(self) -> None:
        """Let go of the device. When that takes longer than it may, `open` says so."""
        device, self._device = self._device, None
        if device is None:
            return
        try:
            self._release()
        except picamera_faults.LIBRARY_ERRORS as error:
            _log.warning("%s: the last frame could not be given back: %s", self.name, error)
        self._job = None
        self._closing = threading.Thread(
            target=let_go, args=(device, self.name), name="camera-close", daemon=True
        )
        self._closing.start()
        self._closing.join(self._close_within_s)
        if self._closing.is_alive():
            atexit.unregister(device.close)  # the library's own; it would hold up the program's end
            _log.error("%s: the driver did not release it within %g s", self.name, self._close_within_s)

    def _start(self) -> Any:
        """Open, configure and start a device; on the opening thread."""
        device = self._library.Picamera2(self._index)
        try:
            self._configure(device)
            device.start()
        except BaseException:
            let_go(device, self.name)
            raise
        return device

    def _configure(self, device: Any) -> None:
        """Configure both streams once; raise `CameraError` if the camera gives others than asked for."""
        wanted = {
            "main": {"size": self._large_size, "format": "BGR888"},
            "lores": {"size": self._luma_size, "format": "YUV420"},
        }
        by_camera = self._options.upside_down and not self._options.turned_by_us
        libcamera = picamera_faults.import_libcamera()
        turned = {"transform": libcamera.Transform(hflip=1, vflip=1)} if by_camera else {}
        device.configure(
            device.create_video_configuration(
                **wanted,
                **turned,
                # As a JPEG's own Y channel: BT.601 over the full range. The library's choice for video is
                # BT.709 and 16 to 235, which no threshold of the gate was measured with.
                colour_space=libcamera.ColorSpace.Sycc(),
                raw=None,
                buffer_count=self._buffers,
                controls={"FrameDurationLimits": (self._frame_us, self._frame_us)},
            )
        )
        given = device.camera_configuration()
        for stream, asked in wanted.items():
            got = {key: given[stream][key] for key in asked}
            if got != asked:
                raise CameraError(
                    f"{self.name} gives {got} instead of {asked}",
                    "choose sizes that the camera has; widths that are multiples of 64 are the safest",
                )
        # After configuring, which sets a crop of its own; in force from the first frame.
        chosen = controls(self._options, device.camera_controls, self._large_size)
        self._crop = chosen.get("ScalerCrop")
        self._shown = Shown.of(self._options, device.camera_controls, chosen)
        if chosen:
            device.set_controls(chosen)

    def _frame(self, request: Any) -> Frame:
        metadata = request.get_metadata()
        fault, self._crop = crop_fault(self._crop, metadata.get("ScalerCrop")), None
        if fault:
            _log.warning("%s: %s", self.name, fault)
        moment = self._taken_at(metadata)
        self._number += 1
        self._last_mono_s = moment.mono_s
        exposure_us, analogue = metadata.get("ExposureTime"), metadata.get("AnalogueGain")
        return Frame(
            number=self._number,
            wall=moment.wall,
            mono_s=moment.mono_s,
            luma=self._luma(request),
            large=partial(self._large, request, self._number),
            exposure=Exposure(
                exposure_s=None if exposure_us is None else exposure_us / 1e6,
                gain=None if analogue is None else analogue * metadata.get("DigitalGain", 1.0),
            ),
            part=self._shown.part(metadata.get("ScalerCrop")),
        )

    def _luma(self, request: Any) -> Luma:
        """The Y plane without its row padding: one copy, which outlives the request's buffer."""
        width, height = self._luma_size
        with self._library.MappedArray(request, "lores", write=False) as mapped:
            luma: Luma = np.array(self._upright(mapped.array[:height, :width]), dtype=np.uint8, order="C")
        luma.setflags(write=False)
        return luma

    def _upright(self, picture: Any) -> Any:
        """A view of `picture`, turned by half a turn where the camera does not do it; no copy."""
        return picture[::-1, ::-1] if self._options.turned_by_us else picture

    def _large(self, request: Any, number: int) -> Rgb:
        if request is not self._request:
            raise RuntimeError(
                f"frame {number} of {self.name} has been given back: its large picture is gone"
            )
        try:
            with self._library.MappedArray(request, "main", write=False) as mapped:
                pixels: Rgb = self._room(mapped.array.shape)
                pixels[:] = self._upright(mapped.array)
        except picamera_faults.LIBRARY_ERRORS as error:
            raise CameraError(f"the large picture of {self.name} cannot be read: {error}", _GONE) from error
        pixels.setflags(write=False)  # nobody has to copy it again
        return pixels

    def _taken_at(self, metadata: dict[str, Any]) -> Moment:
        """When the frame was taken: now, less the age of its SensorTimestamp (CLOCK_BOOTTIME, ns)."""
        now = self._clock.now()
        stamp_ns = metadata.get("SensorTimestamp")
        age_s = float("nan") if stamp_ns is None else (self._boottime() - stamp_ns) / 1e9
        if not 0.0 <= age_s <= _OLDEST_S:
            if not self._doubted_time:
                _log.warning("%s: sensor times are not usable (age %g s): using arrival", self.name, age_s)
            self._doubted_time = True
            age_s = 0.0
        return Moment(now.wall - timedelta(seconds=age_s), max(self._last_mono_s, now.mono_s - age_s))

    def _release(self) -> None:
        request, self._request = self._request, None
        if request is not None:
            request.release()
