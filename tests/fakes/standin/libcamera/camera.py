"""A camera that gives frames, and the manager that hands them out."""

from __future__ import annotations

import os
import threading
import time
import weakref
from typing import Any

from . import heap, picture
from .board import board
from .configuration import CameraConfiguration, StreamRole
from .control import ControlInfo, cast, controls, properties
from .request import Request
from .values import Rectangle, Size


class Camera:
    def __init__(self, index: int) -> None:
        self.id = f"/base/soc/i2c0mux/i2c@1/imx000@1{index}"
        self._acquired = self._running = False
        self._pending: list[Request] = []
        self._configuration: CameraConfiguration | None = None
        self._lock = threading.Lock()
        self._number = 0

    @property
    def whole(self) -> Rectangle:
        return Rectangle(0, 0, *board.sensor)

    @property
    def view(self) -> Rectangle:
        """What a picture of the main stream's shape shows of the sensor when nothing else is asked for."""
        if self._configuration is None:
            return self.whole
        (width, height), size = board.sensor, self._configuration.at(0).size
        shown_width = min(width, height * size.width // size.height)
        shown_height = min(height, width * size.height // size.width)
        return Rectangle((width - shown_width) // 2, (height - shown_height) // 2, shown_width, shown_height)

    @property
    def controls(self) -> dict[Any, ControlInfo]:
        least, known = Rectangle(0, 0, 64, 64), controls
        told = {
            known.AeEnable: ControlInfo(False, True, True),
            known.ExposureTimeMode: ControlInfo(0, 1, 0),
            known.ExposureTime: ControlInfo(75, 11_766_829, 20_000),
            known.AnalogueGainMode: ControlInfo(0, 1, 0),
            known.AnalogueGain: ControlInfo(1.0, 10.66, 1.0),
            known.AwbEnable: ControlInfo(False, True, None),
            known.ColourGains: ControlInfo(0.0, 32.0, None),
            known.FrameDurationLimits: ControlInfo(23_896, 11_767_556, (33_333, 33_333)),
            known.ScalerCrop: ControlInfo(least, self.whole, self.view),
            known.draft.NoiseReductionMode: ControlInfo(0, 4, 0),
        }
        if board.lens:
            told[known.AfMode] = ControlInfo(0, 2, 0)
            told[known.LensPosition] = ControlInfo(0.0, 15.0, 1.0)
        if board.newest and self._configuration is not None and len(self._configuration) > 1:
            told[known.rpi.ScalerCrops] = ControlInfo(self.view, self.view, self.view)
        return told

    @property
    def properties(self) -> dict[Any, Any]:
        return {
            properties.Model: "imx000",
            properties.Location: 2,
            properties.Rotation: 0,
            properties.PixelArraySize: Size(*board.sensor),
            properties.draft.ColorFilterArrangement: properties.draft.ColorFilterArrangementEnum.RGGB,
        }

    def acquire(self) -> None:
        if self._acquired or board.held_elsewhere:
            raise RuntimeError("Failed to acquire camera: Device or resource busy")
        self._acquired = True

    def release(self) -> None:
        if self._running:
            raise RuntimeError("Failed to release camera: Device or resource busy")
        self._acquired = False

    def generate_configuration(self, roles: list[StreamRole]) -> CameraConfiguration:
        return CameraConfiguration(roles)

    def configure(self, configuration: CameraConfiguration) -> None:
        self._configuration = configuration
        for stream in configuration:
            stream.stream.configuration = stream
        board.note(orientation=configuration.orientation.name)

    def create_request(self, cookie: int = 0) -> Request:
        return Request(cookie)

    def start(self, asked: dict[Any, Any] = {}) -> None:  # noqa: B006  (as the bindings have it)
        board.hang("at_start")
        self._crops, self._frame_s = [self.view, self.view], 1 / 30
        self._apply({control: cast(control, value) for control, value in asked.items()})
        board.note(crops=[[crop.x, crop.y, crop.width, crop.height] for crop in self._crops])
        board.note(asked={control.name: repr(value) for control, value in asked.items()})
        self._running = True
        self._manager = CameraManager.alive()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        board.hang("at_stop")
        if not self._running:
            return
        self._running = False
        self._thread.join()
        with self._lock:
            waiting, self._pending = self._pending, []
        for request in waiting:
            request.status = Request.Status.Cancelled
            self._manager.push(request)

    def queue_request(self, request: Request) -> None:
        if not self._running:
            raise RuntimeError("Failed to queue request: Permission denied")
        if board.event_loop_dies:
            raise RuntimeError("Failed to queue request: Invalid argument")
        with self._lock:
            self._pending.append(request)

    def _apply(self, asked: dict[Any, Any]) -> None:
        each, for_all = asked.get(controls.rpi.ScalerCrops), asked.get(controls.ScalerCrop)
        if each and board.newest:
            self._crops = [*each, *self._crops[len(each) :]]
        elif for_all:
            self._crops = [for_all, for_all]
        if limits := asked.get(controls.FrameDurationLimits):
            self._frame_s = limits[0] / 1e6

    def _run(self) -> None:
        while self._running:
            time.sleep(self._frame_s)
            if not board.frames:
                continue
            with self._lock:
                request = self._pending.pop(0) if self._pending else None
            if request is not None:
                self._complete(request)

    def _complete(self, request: Request) -> None:
        self._apply(request.asked)
        self._number += 1
        assert self._configuration is not None
        for stream in self._configuration:
            picture.fill(request.buffers[stream.stream].planes[0], stream, self._number)
        stamp_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - round(board.latency_s * 1e9)
        request.metadata = {
            controls.SensorTimestamp: stamp_ns,
            controls.ExposureTime: 8_000,
            controls.AnalogueGain: 2.0,
            controls.DigitalGain: 1.5,
            controls.ScalerCrop: self._crops[0],
        }
        if board.newest:
            request.metadata[controls.rpi.ScalerCrops] = tuple(self._crops)
        request.status = Request.Status.Complete
        self._manager.push(request)


class CameraManager:
    _last: weakref.ref[CameraManager] | None = None

    def __init__(self) -> None:
        heap.put_in_place()  # picamera2 has been imported by now
        self.event_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._done: list[Request] = []
        self._lock = threading.Lock()
        self._cameras = [Camera(index) for index in range(board.cameras)]

    @classmethod
    def alive(cls) -> Any:
        return cls._last() if cls._last else None

    @classmethod
    def singleton(cls) -> CameraManager:
        manager = cls.alive()
        if manager is None:
            manager = cls()
            cls._last = weakref.ref(manager)
        return manager

    @property
    def cameras(self) -> list[Camera]:
        return list(self._cameras)

    def push(self, request: Request) -> None:
        with self._lock:
            self._done.append(request)
        os.eventfd_write(self.event_fd, 1)

    def get_ready_requests(self) -> list[Request]:
        board.hang("between_frames")
        try:
            os.eventfd_read(self.event_fd)
        except BlockingIOError:
            return []
        with self._lock:
            done, self._done = self._done, []
        return done

    def __del__(self) -> None:
        os.close(self.event_fd)
