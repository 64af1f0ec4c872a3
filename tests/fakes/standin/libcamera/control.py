"""Controls and properties: their names, kinds and limits; and the casts that the bindings refuse."""

from __future__ import annotations

import enum
import itertools
from types import ModuleType, SimpleNamespace
from typing import Any

from .values import Rectangle


class ControlType(enum.Enum):
    Null = 0
    Bool = 1
    Byte = 2
    Integer32 = 3
    Integer64 = 4
    Float = 5
    String = 6
    Rectangle = 7
    Size = 8
    Point = 9


class ControlId:
    _ids = itertools.count(1)

    def __init__(self, name: str, kind: ControlType, vendor: str = "libcamera") -> None:
        self.id = next(self._ids)
        self.name, self.type, self.vendor = name, kind, vendor


class ControlInfo:
    def __init__(self, least: Any, most: Any, default: Any = None) -> None:
        self.min, self.max, self.default = least, most, default


class _NoiseReduction(enum.IntEnum):
    Off = 0
    Fast = 1
    HighQuality = 2
    Minimal = 3
    ZSL = 4


class _ColourFilter(enum.IntEnum):
    RGGB = 0
    GRBG = 1
    GBRG = 2
    BGGR = 3
    RGB = 4
    MONO = 5


_KINDS = {
    ControlType.Bool: ("AeEnable", "AwbEnable"),
    ControlType.Integer32: ("ExposureTimeMode", "ExposureTime", "AnalogueGainMode", "AfMode"),
    ControlType.Integer64: ("FrameDurationLimits", "FrameDuration", "SensorTimestamp"),
    ControlType.Float: ("AnalogueGain", "ColourGains", "DigitalGain", "LensPosition"),
    ControlType.Rectangle: ("ScalerCrop",),
}
controls: Any = ModuleType("libcamera.controls")
for _kind, _names in _KINDS.items():
    for _name in _names:
        setattr(controls, _name, ControlId(_name, _kind))
controls.rpi = SimpleNamespace(ScalerCrops=ControlId("ScalerCrops", ControlType.Rectangle, "rpi"))
controls.draft = SimpleNamespace(
    NoiseReductionMode=ControlId("NoiseReductionMode", ControlType.Integer32, "draft"),
    NoiseReductionModeEnum=_NoiseReduction,
)
properties: Any = ModuleType("libcamera.properties")
properties.Model = ControlId("Model", ControlType.String)
properties.Location = ControlId("Location", ControlType.Integer32)
properties.Rotation = ControlId("Rotation", ControlType.Integer32)
properties.PixelArraySize = ControlId("PixelArraySize", ControlType.Size)
properties.ScalerCropMaximum = ControlId("ScalerCropMaximum", ControlType.Rectangle)
properties.draft = SimpleNamespace(
    ColorFilterArrangementEnum=_ColourFilter,
    ColorFilterArrangement=ControlId("ColorFilterArrangement", ControlType.Integer32),
)


def cast(control: ControlId, value: Any) -> Any:
    """`value`, if the bindings would take it for `control`; else the RuntimeError that they raise."""
    for one in value if isinstance(value, (list, tuple)) else [value]:
        kind = control.type
        wrong = (
            (kind is ControlType.Bool and not isinstance(one, bool))
            or (
                kind in (ControlType.Integer32, ControlType.Integer64, ControlType.Byte)
                and not hasattr(one, "__index__")
            )
            or (kind is ControlType.Float and not isinstance(one, (int, float)))
            or (kind is ControlType.Rectangle and not isinstance(one, Rectangle))
        )
        if wrong:
            raise RuntimeError(f"Unable to cast Python instance of type {type(one)} to C++ type")
    return value
