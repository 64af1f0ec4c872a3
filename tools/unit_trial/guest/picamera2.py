"""Goes into the container in place of the camera's library: plays a recording in real time, round and round.

It has the calls that Dooryard makes, and no others. /srv/frames holds the pictures: `luma.npy` (N×H×W uint8),
`large.npy` (N×H×W×3 uint8).
"""

from __future__ import annotations

import time
from concurrent.futures import CancelledError
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

FOLDER = Path("/srv/frames")
SLOW = Path("/run/slow-camera")  # if it is there: how long the camera takes to open, seconds
_EXPOSURE_NS = 30_000_000  # from the picture to its delivery


class _Job:
    cancelled = False

    def cancel(self) -> None:
        self.cancelled = True


class _Request:
    def __init__(self, device: Picamera2, index: int, stamp_ns: int) -> None:
        self.device, self.index, self.stamp_ns = device, index, stamp_ns

    def get_metadata(self) -> dict[str, Any]:
        whole = self.device.camera_controls["ScalerCrop"][2]
        return {
            "SensorTimestamp": self.stamp_ns,
            "ExposureTime": 8000,
            "AnalogueGain": 2.0,
            "DigitalGain": 1.0,
            "ScalerCrop": whole,
        }

    def release(self) -> None:
        """Nothing is held."""


class MappedArray:
    """The pixels of one stream of a request."""

    def __init__(self, request: _Request, stream: str, reshape: bool = True, write: bool = True) -> None:  # noqa: ARG002
        frames = request.device.luma if stream == "lores" else request.device.large
        self.array = frames[request.index]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        """Nothing is mapped."""


class Picamera2:
    """One camera."""

    def __init__(self, camera_num: int = 0) -> None:  # noqa: ARG002
        if SLOW.exists():
            time.sleep(float(SLOW.read_text()))
        self.luma = np.load(FOLDER / "luma.npy", mmap_mode="r")
        self.large = np.load(FOLDER / "large.npy", mmap_mode="r")
        self.config: dict[str, Any] = {}
        self.number = 0
        self.begun_s = 0.0
        self.camera_controls: dict[str, Any] = {
            "AeEnable": (False, True, True),
            "AnalogueGain": (1.0, 16.0, None),
            "AwbEnable": (False, True, None),
            "ColourGains": (0.0, 32.0, None),
            "ExposureTime": (75, 11_766_829, None),
            "FrameDurationLimits": (47_183, 11_767_556, None),
            "ScalerCrop": ((0, 0, 64, 64), (0, 0, 3280, 2464), (0, 0, 3280, 2464)),
        }

    def create_video_configuration(self, **asked: Any) -> dict[str, Any]:
        return {"buffer_count": 6, **asked, "controls": dict(asked.get("controls") or {})}

    def configure(self, config: dict[str, Any]) -> None:
        self.config = config

    def camera_configuration(self) -> dict[str, Any]:
        return self.config

    def set_controls(self, controls: dict[str, Any]) -> None:
        self.config["controls"].update(controls)

    def start(self) -> None:
        self.begun_s = time.monotonic()

    def capture_request(self, wait: bool | None = None) -> _Job:  # noqa: ARG002
        return _Job()

    def wait(self, job: _Job, timeout: float | None = None) -> _Request:  # noqa: ARG002
        if job.cancelled:
            raise CancelledError
        period_s = self.config["controls"]["FrameDurationLimits"][0] / 1e6
        self.number = max(self.number + 1, int((time.monotonic() - self.begun_s) / period_s))
        time.sleep(max(0.0, self.begun_s + self.number * period_s - time.monotonic()))
        stamp_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - _EXPOSURE_NS
        return _Request(self, self.number % len(self.luma), stamp_ns)

    def cancel_all_and_flush(self) -> None:
        """Nothing waits."""

    def stop(self) -> None:
        """Nothing runs."""

    def close(self) -> None:
        """Nothing is open."""
