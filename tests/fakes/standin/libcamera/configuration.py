"""Streams and their configuration: what the hardware makes of sizes and formats."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from typing import Any

from .board import board
from .values import ColorSpace, PixelFormat, Size


class Orientation(enum.Enum):
    Rotate0 = 1
    Rotate0Mirror = 2
    Rotate180 = 3
    Rotate180Mirror = 4
    Rotate90Mirror = 5
    Rotate270 = 6
    Rotate270Mirror = 7
    Rotate90 = 8


class StreamRole(enum.Enum):
    Raw = 0
    StillCapture = 1
    VideoRecording = 2
    Viewfinder = 3


class SensorConfiguration:
    def __init__(self) -> None:
        self.bit_depth, self.output_size = 0, Size()


class Stream:
    def __init__(self) -> None:
        self.configuration: Any = None


class StreamFormats:
    _SIZES = (640, 480), (1640, 1232), (1920, 1080), (3280, 2464)

    @property
    def pixel_formats(self) -> list[PixelFormat]:
        return [PixelFormat("SRGGB10_CSI2P"), PixelFormat("SRGGB8")]

    def sizes(self, pixel_format: PixelFormat) -> list[Size]:
        return [Size(*size) for size in self._SIZES]


class StreamConfiguration:
    def __init__(self) -> None:
        self.size, self.pixel_format = Size(), PixelFormat()
        self.stride = self.frame_size = self.buffer_count = 0
        self.color_space: ColorSpace | None = None
        self.stream, self.formats = Stream(), StreamFormats()

    def settle(self) -> bool:
        """Fill in what the hardware takes; False for a format that it has not."""
        width, height, name = self.size.width, self.size.height, self.pixel_format.name
        align = 64 if board.newest else 32
        if name in ("BGR888", "RGB888"):
            self.stride, rows = -(-width * 3 // align) * align, height
            self.color_space = ColorSpace.Srgb()  # whatever is asked for: there is no other for RGB
        elif name in ("XBGR8888", "XRGB8888"):
            self.stride, rows = -(-width * 4 // align) * align, height
        elif name == "YUV420":
            self.stride, rows = -(-width // (2 * align)) * 2 * align, height * 3 // 2
        else:
            return False
        self.frame_size = self.stride * rows
        return True


class CameraConfiguration:
    class Status(enum.Enum):
        Valid = 0
        Adjusted = 1
        Invalid = 2

    def __init__(self, roles: list[StreamRole]) -> None:
        self.streams = [StreamConfiguration() for _role in roles]
        self.sensor_config: Any = None
        self.orientation = Orientation.Rotate0

    def at(self, index: int) -> StreamConfiguration:
        return self.streams[index]

    def __iter__(self) -> Iterator[StreamConfiguration]:
        return iter(self.streams)

    def __len__(self) -> int:
        return len(self.streams)

    def validate(self) -> CameraConfiguration.Status:
        status = CameraConfiguration.Status.Valid
        for index, stream in enumerate(self.streams):
            if index == 0 and board.adjusted_size:
                stream.size = Size(*board.adjusted_size)
                status = CameraConfiguration.Status.Adjusted
            if not stream.settle():
                return CameraConfiguration.Status.Invalid
        return status
