"""Buffers and requests."""

from __future__ import annotations

import enum
import os
import weakref
from typing import Any

from .control import ControlId, cast


class FrameMetadata:
    class Status(enum.Enum):
        Success = 0
        Error = 1
        Cancelled = 2

    def __init__(self) -> None:
        self.status = FrameMetadata.Status.Success
        self.planes: list[Any] = []


class FrameBuffer:
    class Plane:
        def __init__(self) -> None:
            self._fd, self.offset, self.length = -1, 0, 0

        @property
        def fd(self) -> int:
            return self._fd

        @fd.setter
        def fd(self, given: int) -> None:
            self._fd = os.dup(given)  # the bindings keep one of their own
            weakref.finalize(self, os.close, self._fd)

    def __init__(self, planes: list[FrameBuffer.Plane], cookie: int = 0) -> None:
        self.planes, self.cookie = planes, cookie
        self.metadata = FrameMetadata()


class Request:
    class Status(enum.Enum):
        Pending = 0
        Complete = 1
        Cancelled = 2

    class Reuse(enum.Enum):
        Default = 0
        ReuseBuffers = 1

    def __init__(self, cookie: int) -> None:
        self.cookie = cookie
        self.buffers: dict[Any, FrameBuffer] = {}
        self.reuse()

    def add_buffer(self, stream: Any, buffer: FrameBuffer) -> None:
        self.buffers[stream] = buffer

    def reuse(self) -> None:
        self.status = Request.Status.Pending
        self.metadata: dict[ControlId, Any] = {}
        self.asked: dict[ControlId, Any] = {}

    def set_control(self, control: ControlId, value: Any) -> None:
        self.asked[control] = cast(control, value)
