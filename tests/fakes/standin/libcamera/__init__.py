"""A stand-in for libcamera's Python part, for the real picamera2 to stand on.

Names, errors and limits follow libcamera v0.7.1 (src/py/libcamera/py_*.cpp, the pipeline's handling of
crops: pipeline_base.cpp, `applyScalerCrop`). As with the real bindings no call gives up the interpreter's
lock. What the hardware does is read from a file: see `board`.
"""

from . import _libcamera as _libcamera
from ._libcamera import *  # noqa: F403
