"""Everything in one place, as in the real package."""

# ruff: noqa: F401

from __future__ import annotations

import sys

from .board import board
from .camera import Camera, CameraManager
from .configuration import (
    CameraConfiguration,
    Orientation,
    SensorConfiguration,
    Stream,
    StreamConfiguration,
    StreamFormats,
    StreamRole,
)
from .control import ControlId, ControlInfo, ControlType, controls, properties
from .request import FrameBuffer, FrameMetadata, Request
from .values import ColorSpace, PixelFormat, Rectangle, Size, Transform


class FrameBufferAllocator:
    """Never used: picamera2 brings buffers of its own."""


sys.modules["libcamera.controls"] = controls
sys.modules["libcamera.properties"] = properties
