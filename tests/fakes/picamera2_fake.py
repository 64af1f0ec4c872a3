"""A stand-in for the picamera2 module: the calls this project makes, as version 0.3.36 has them.

Signatures and behaviour follow its source (picamera2.py, request.py, job.py, dmaallocator.py). What it
does badly is kept, since that is what the adapter is for:

* a capture without `wait=` blocks for ever once frames have stopped (`BlocksForeverError` here);
* a capture whose wait timed out stays queued, swallows the next frame and never gives its buffers back;
* `stop` queues behind such a capture, and blocks for ever unless it was cancelled first;
* `CompletedRequest.save` swallows write errors;
* rows are padded to multiples of 64 bytes;
* a released buffer is written over by the next frame;
* a refused DMA heap leaves the camera taken, so that each later try in the same process says "busy";
* once its event loop has died no frame comes and `stop` blocks for ever, while `close` alone gets through;
* on the newest boards it sets ScalerCrops when it configures, which win over ScalerCrop;
* luma is of limited range unless another colour space is asked for.

tests/contract/test_picamera_fake.py holds these against the real class.

A `Board` is the hardware, and says what happens frame by frame: f a frame, s no frame in time,
x unplugged (no frame ever again), k the library fails, d its event loop dies.
"""

from __future__ import annotations

import errno
import sys
import threading
from collections.abc import Callable
from concurrent.futures import CancelledError
from types import ModuleType, SimpleNamespace, TracebackType
from typing import Any, Self

import numpy as np
import pytest

from dooryard.core.clock import FakeClock


class BlocksForeverError(BaseException):
    """Where the real library would never return. No `except Exception` gets past it."""


class Board:
    """One board with its camera; `clock` moves when frames come or are waited for."""

    def __init__(self, clock: FakeClock, script: str = "f" * 1000) -> None:
        self.clock = clock
        self.script = script
        self.cameras = 1
        self.held_elsewhere = False
        self.cma_bytes = 64 * 2**20
        self.adjusted_size: tuple[int, int] | None = None  # what the large stream becomes
        self.latency_s = 0.040  # from the sensor to the application
        self.slept_s = 1_000.0  # CLOCK_BOOTTIME counts sleep, the monotonic clock does not
        self.stamped = True
        self.stop_may_go_on: threading.Event | None = None  # a driver that does not answer
        self.open_may_go_on: threading.Event | None = None  # the same, when it is opened
        self.whole_view = (0, 0, 3280, 2464)  # of the sensor's pixels
        self.newest = False  # the generation whose streams have a crop each
        self.version = (0, 3, 36)  # of picamera2
        self.heap_fault: Exception | None = None  # what opening /dev/dma_heap raises
        self.controls: dict[str, Any] = {  # name: (least, most, default)
            "AeEnable": (False, True, True),
            "AnalogueGain": (1.0, 16.0, None),
            "AwbEnable": (False, True, None),
            "ColourGains": (0.0, 32.0, None),
            "ExposureTime": (75, 11_766_829, None),
            "FrameDurationLimits": (47_183, 11_767_556, None),
            "ScalerCrop": ((0, 0, 64, 64), self.whole_view, self.whole_view),
        }
        self.crop_used: tuple[int, int, int, int] | None = None  # a driver that has a will of its own
        self.calls: list[str] = []
        self.open_devices = 0
        self.frames = 0
        self.unplugged = False

    def boottime_ns(self) -> int:
        return round((self.clock.now().mono_s + self.slept_s) * 1e9)

    def picture(self, number: int, size: tuple[int, int]) -> np.ndarray:
        """What the camera sees: red left, green middle, blue right, brighter with each frame."""
        width, height = size
        shown = np.zeros((height, width, 3), np.uint8)
        for channel in range(3):
            shown[:, channel * width // 3 : (channel + 1) * width // 3, channel] = 100 + number % 100
        return shown

    def luma(self, number: int, size: tuple[int, int]) -> np.ndarray:
        width, height = size
        return np.tile((np.arange(width) + number).astype(np.uint8), (height, 1))


class FakeJob:
    """A capture that was asked for; `Picamera2.wait` fetches its result."""

    def __init__(self) -> None:
        self.result: FakeRequest | None = None
        self.cancelled = False


class FakeRequest:
    """A CompletedRequest: both streams' buffers, valid until released."""

    def __init__(self, device: FakePicamera2, number: int, metadata: dict[str, Any]) -> None:
        self.device = device
        self.config = device.camera_config
        self.ref_count = 1
        self.metadata = metadata
        self.buffers = device._fill(number)

    def get_metadata(self) -> dict[str, Any]:
        assert self.ref_count > 0, "metadata of a request that was given back"
        return dict(self.metadata)

    def release(self) -> None:
        self.ref_count -= 1
        if self.ref_count < 0:
            raise RuntimeError("CompletedRequest: lock now has negative ref_count")
        for buffer in self.buffers.values():
            buffer[:] = 0xA5  # the next frame
        self.device.held -= 1

    def save(self, name: str, file_output: Any, format: str | None = None, exif_data: Any = None) -> None:  # noqa: A002 (the library's own name)
        try:
            file_output.write(self.buffers[name].tobytes())
        except Exception:  # noqa: BLE001 (the library's own mistake, kept)
            return


class FakeMappedArray:
    def __init__(self, request: FakeRequest, stream: str, reshape: bool = True, write: bool = True) -> None:
        self.request, self.stream, self.write = request, stream, write
        self.array: np.ndarray | None = None

    def __enter__(self) -> Self:
        if self.request.ref_count <= 0:
            raise RuntimeError("failed to find buffer")
        config = self.request.config[self.stream]
        width, height = config["size"]
        flat = self.request.buffers[self.stream]
        if config["format"] == "YUV420":
            self.array = flat.reshape(height * 3 // 2, config["stride"])
        else:
            self.array = flat.reshape(height, config["stride"])[:, : width * 3].reshape(height, width, 3)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.array = None


class FakePicamera2:
    board: Board  # set on the subclass that `module_for` makes

    def __init__(
        self, camera_num: int = 0, verbose_console: Any = None, tuning: Any = None, allocator: Any = None
    ):
        board = self.board
        board.calls.append("open")
        if board.open_may_go_on is not None:
            board.open_may_go_on.wait()
        if camera_num >= board.cameras and board.version >= (0, 3, 38):
            raise RuntimeError(f"No camera number {camera_num} found - use ... to check connected cameras")
        range(board.cameras)[camera_num]  # IndexError, as global_camera_info()[camera_num] gives
        if board.held_elsewhere or board.open_devices:
            raise RuntimeError("Camera __init__ sequence did not complete.") from RuntimeError(
                "Failed to acquire camera: Device or resource busy"
            )
        board.open_devices += 1
        if board.heap_fault is not None:
            raise board.heap_fault
        self.loop_died = False
        self.is_open = True
        self.started = False
        self.camera_config: dict[str, Any] = {}
        self.jobs: list[FakeJob] = []
        self.held = 0
        board.unplugged = False

    def create_video_configuration(
        self,
        main: dict[str, Any] = {},  # noqa: B006 (the library's own signature)
        lores: dict[str, Any] | None = None,
        raw: dict[str, Any] | None = {},  # noqa: B006
        transform: Any = None,
        colour_space: Any = None,
        buffer_count: int = 6,
        controls: dict[str, Any] = {},  # noqa: B006
        display: str | None = "main",
        encode: str | None = "main",
        queue: bool = True,
        sensor: dict[str, Any] = {},  # noqa: B006
        use_case: str = "video",
    ) -> dict[str, Any]:
        streams = {}
        for name, given, start in (
            ("main", main, {"format": "XBGR8888", "size": (1280, 720), "preserve_ar": True}),
            ("lores", lores, {"format": "YUV420", "size": main.get("size"), "preserve_ar": False}),
            ("raw", raw, {"format": "SBGGR10_CSI2P", "size": main.get("size")}),
        ):
            if given is not None and (bad := set(given) - {"format", "size", "stride", "preserve_ar"}):
                raise ValueError(f"Bad key {bad.pop()!r}: valid stream configuration keys are ...")
            streams[name] = None if given is None else start | given
        of_main: Any = streams["main"]
        shared = {
            "buffer_count": buffer_count,
            "controls": controls,
            "queue": queue,
            "transform": transform,
            "colour_space": colour_space or ("Rec709" if of_main["size"][0] > 1280 else "Smpte170m"),
        }
        return shared | streams

    def configure(self, camera_config: dict[str, Any]) -> None:
        board = self.board
        board.calls.append("configure")
        config = {
            key: dict(value) if isinstance(value, dict) else value for key, value in camera_config.items()
        }
        if config["lores"]["format"] != "YUV420":
            raise RuntimeError("lores stream must be YUV")
        if any(
            small > large
            for small, large in zip(config["lores"]["size"], config["main"]["size"], strict=True)
        ):
            raise RuntimeError("lores stream dimensions may not exceed main stream")
        config["main"]["size"] = board.adjusted_size or config["main"]["size"]
        needed = 0
        for name, bytes_across, rows in (("main", 3, 1.0), ("lores", 1, 1.5)):
            width, height = config[name]["size"]
            config[name]["stride"] = -(-width * bytes_across // 64) * 64
            config[name]["framesize"] = round(config[name]["stride"] * height * rows)
            needed += config[name]["framesize"] * config["buffer_count"]
        if needed > board.cma_bytes:
            raise OSError(errno.ENOMEM, "Cannot allocate memory")
        if board.newest:
            board.controls["ScalerCrops"] = board.controls["ScalerCrop"]
            whole = board.controls["ScalerCrop"][2]
            config["controls"] = config["controls"] | {"ScalerCrops": [whole, whole]}
        self.camera_config = config

    def camera_configuration(self) -> dict[str, Any]:
        return self.camera_config

    @property
    def camera_controls(self) -> dict[str, Any]:
        return self.board.controls

    def set_controls(self, controls: dict[str, Any]) -> None:
        for name in controls:
            if name not in self.board.controls:
                raise RuntimeError(f"Control {name} is not advertised by libcamera")
        self.camera_config["controls"] = self.camera_config["controls"] | controls

    def start(self, config: Any = None, show_preview: bool = False) -> None:
        if not self.camera_config:
            raise RuntimeError("Camera has not been configured")
        self.board.calls.append("start")
        self.started = True

    def capture_request(
        self,
        wait: float | bool | None = None,
        signal_function: Callable[..., Any] | None = None,
        flush: Any = None,
    ) -> Any:
        job = FakeJob()
        self.jobs.append(job)
        if wait is False:
            return job
        return self.wait(job, None if wait is None or wait is True else wait)

    def wait(self, job: FakeJob, timeout: float | None = None) -> Any:
        """Let frames come until `job` has one. They go to the oldest job first."""
        board = self.board
        while job.result is None:
            if job.cancelled:
                raise CancelledError
            step = "x"
            if not board.unplugged:
                step, board.script = board.script[:1], board.script[1:]
                board.unplugged = step == "x"
                self.loop_died |= step == "d"
            if step == "k":
                self.jobs.remove(job)
                raise RuntimeError("camera has lost its way")
            if step != "f" or self.loop_died or self.held >= self.camera_config["buffer_count"]:
                if timeout is None:
                    raise BlocksForeverError("a capture without a deadline")
                board.clock.advance(timeout)
                raise TimeoutError
            self._deliver()
        return job.result

    def cancel_all_and_flush(self) -> None:
        self.board.calls.append("cancel_all_and_flush")
        for job in self.jobs:
            job.cancelled = True
        self.jobs = []

    def stop(self) -> None:
        self.board.calls.append("stop")
        if self.board.stop_may_go_on is not None:
            self.board.stop_may_go_on.wait()
        if self.started and self.loop_died:
            raise BlocksForeverError("stop waits for an event loop that has died")
        if self.started and self.jobs:
            raise BlocksForeverError("stop queues behind a capture that never ends")
        self.started = False

    def close(self) -> None:
        self.board.calls.append("close")
        if self.is_open:
            self.loop_died = False  # it ends the loop, and then needs none
            self.stop()
            self.board.open_devices -= 1
            self.is_open = False

    def _deliver(self) -> None:
        board = self.board
        duration_s = self.camera_config["controls"]["FrameDurationLimits"][0] / 1e6
        board.clock.advance(duration_s)
        board.frames += 1
        metadata: dict[str, Any] = {"ExposureTime": 8_000, "AnalogueGain": 2.0, "DigitalGain": 1.5}
        crop = self.camera_config["controls"].get("ScalerCrop", board.controls["ScalerCrop"][2])
        crops = self.camera_config["controls"].get("ScalerCrops") if board.newest else None
        metadata["ScalerCrop"] = board.crop_used or (crops[0] if crops else crop)
        if board.stamped:
            metadata["SensorTimestamp"] = board.boottime_ns() - round(board.latency_s * 1e9)
        self.held += 1
        self.jobs.pop(0).result = FakeRequest(self, board.frames, metadata)

    def _fill(self, number: int) -> dict[str, np.ndarray]:
        buffers = {
            name: np.full(self.camera_config[name]["framesize"], 0x5A, np.uint8) for name in ("main", "lores")
        }
        main, lores = self.camera_config["main"], self.camera_config["lores"]
        width, height = main["size"]
        shown = self.board.picture(number, main["size"])
        in_memory = {"BGR888": shown, "RGB888": shown[:, :, ::-1]}[main["format"]]
        buffers["main"].reshape(height, -1)[:, : width * 3] = in_memory.reshape(height, -1)
        width, height = lores["size"]
        luma = self.board.luma(number, lores["size"])
        if self.camera_config["colour_space"] != "Sycc":
            luma = np.round(16 + luma * (219 / 255)).astype(np.uint8)
        buffers["lores"].reshape(height * 3 // 2, -1)[:height, :width] = luma
        return buffers


def module_for(board: Board) -> ModuleType:
    """The module to put into `sys.modules["picamera2"]`; see `plug_in`."""
    module = ModuleType("picamera2")
    module.Picamera2 = type("Picamera2", (FakePicamera2,), {"board": board})  # type: ignore[attr-defined]  # made on the fly
    module.MappedArray = FakeMappedArray  # type: ignore[attr-defined]  # made on the fly
    return module


def plug_in(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let `import picamera2` and `import libcamera` find `board`."""
    library = ModuleType("libcamera")
    library.Transform = SimpleNamespace  # type: ignore[attr-defined]  # made on the fly
    library.ColorSpace = SimpleNamespace(Sycc=lambda: "Sycc")  # type: ignore[attr-defined]  # made on the fly
    monkeypatch.setitem(sys.modules, "libcamera", library)
    monkeypatch.setitem(sys.modules, "picamera2", module_for(board))
