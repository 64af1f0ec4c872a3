"""What can be asked of a board's camera beyond size and speed, and the controls that this takes. Pure.

Control names and units are libcamera's (its control_ids documentation): ExposureTime in µs, AnalogueGain
and ColourGains as factors, LensPosition in dioptres (1/m), AfMode 0 manual and 2 continuous, ScalerCrop in
the sensor's pixels. Values from memory; no camera was at hand.

The newest boards have ScalerCrops as well, a rectangle for each stream. picamera2 sets it when it configures
(0.3.30 to 0.3.38, `configure_`), and it wins over ScalerCrop, so that both are set. What a picture shows
without a region is the control's default, not its greatest value: a 4:3 picture of a 16:9 sensor leaves the
sides out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from dooryard.core.errors import CameraError
from dooryard.core.records import Box

_AF_MANUAL, _AF_CONTINUOUS = 0, 2
Rectangle = tuple[int, int, int, int]
"""x, y, width, height in the sensor's pixels."""


@dataclass(frozen=True, slots=True)
class PicameraOptions:
    """None everywhere: the camera decides.

    A locked exposure and white balance keep the picture from changing when a visitor fills it; the price
    is that they fit only one light. A quarter turn is not on offer: the hardware cannot (picamera2 #792).
    """

    upside_down: bool = False  # the camera is rotated 180°: rotate the picture back
    region: Box | None = None  # the part of the upright view to use, widened to the pictures' shape
    exposure_s: float | None = None
    gain: float | None = None  # analogue gain, 1.0 = base sensitivity
    white_balance: tuple[float, float] | None = None  # gains of red and blue
    focus_m: float | Literal["auto"] | None = None  # distance of the feeder, or follow what is there

    @property
    def turned_by_us(self) -> bool:
        """Whether the pictures are turned here and not by the camera.

        From which corner a driver counts a region in a picture that it turns is not the same everywhere. So
        with a region the camera is left unturned, and its region is the one that lies there (`half_a_turn`).
        """
        return self.upside_down and self.region is not None


@dataclass(frozen=True, slots=True)
class PicameraSettings:
    """What a camera is opened with; see `picamera.PicameraCamera`. Sizes are (width, height) in pixels."""

    camera_index: int = 0
    large_size: tuple[int, int] = (1640, 1232)
    luma_size: tuple[int, int] = (320, 240)
    frames_per_s: float = 10.0
    buffers: int = 4
    options: PicameraOptions = field(default_factory=PicameraOptions)

    def to_json(self) -> dict[str, Any]:
        """Plain values, for `from_json` in another process."""
        return asdict(self)

    @classmethod
    def from_json(cls, saved: Mapping[str, Any]) -> PicameraSettings:
        """What `to_json` gave, after a way through JSON, which knows no tuples."""
        options = dict(saved["options"])
        if options["region"] is not None:
            options["region"] = Box(*options["region"])
        if options["white_balance"] is not None:
            options["white_balance"] = tuple(options["white_balance"])
        sizes = {key: tuple(saved[key]) for key in ("large_size", "luma_size")}
        return cls(**{**saved, **sizes, "options": PicameraOptions(**options)})


def check_sizes(
    large_size: tuple[int, int], luma_size: tuple[int, int], frames_per_s: float, buffers: int
) -> None:
    """Raise `CameraError` for what no camera can give."""
    sizes = (*large_size, *luma_size)
    if any(side <= 0 or side % 2 for side in sizes):
        raise CameraError(f"camera sizes {large_size} and {luma_size} are not even", "use even numbers")
    if luma_size[0] > large_size[0] or luma_size[1] > large_size[1]:
        raise CameraError(
            f"the small picture {luma_size} is larger than the large one {large_size}", "make it smaller"
        )
    if frames_per_s <= 0 or buffers < 3:
        raise CameraError(
            f"{frames_per_s:g} frames a second with {buffers} buffers cannot work",
            "ask for more than 0 frames a second and at least 3 buffers",
        )


def problems(options: PicameraOptions, frames_per_s: float) -> tuple[str, ...]:
    """What makes no sense in `options`, each as a sentence with what to do."""
    found = []
    if options.exposure_s is not None and not 0 < options.exposure_s <= 1 / frames_per_s:
        longest_ms = 1000 / frames_per_s
        found.append(
            f"an exposure of {options.exposure_s * 1000:g} ms does not fit {frames_per_s:g} frames a second: "
            f"choose {longest_ms:g} ms or less"
        )
    if options.gain is not None and not 1 <= options.gain <= 64:
        found.append(f"a gain of {options.gain:g} cannot be: choose 1 to 64")
    if options.white_balance is not None and not all(0 < gain <= 32 for gain in options.white_balance):
        found.append("white balance is two gains, red and blue, above 0 and up to 32")
    if isinstance(options.focus_m, (int, float)) and not 0.03 <= options.focus_m <= 1000:
        found.append(f"a focus at {options.focus_m:g} m cannot be: choose 0.03 to 1000, or leave it out")
    region = options.region
    if region is not None and not (0 <= region.x0 < region.x1 <= 1 and 0 <= region.y0 < region.y1 <= 1):
        found.append("a region is x0 < x1 and y0 < y1 between 0 and 1")
    return tuple(found)


def controls(
    options: PicameraOptions, available: Mapping[str, Any], picture: tuple[int, int]
) -> dict[str, Any]:
    """The controls to set. `available` is picamera2's `camera_controls`: name -> (least, most, default).

    Raises `CameraError` for what this camera does not have, or not so far.
    """
    wanted: dict[str, Any] = {}
    if options.exposure_s is not None and options.gain is not None:
        wanted["AeEnable"] = False
    if options.exposure_s is not None:
        wanted["ExposureTime"] = round(options.exposure_s * 1e6)
    if options.gain is not None:
        wanted["AnalogueGain"] = options.gain
    if options.white_balance is not None:
        wanted |= {"AwbEnable": False, "ColourGains": options.white_balance}
    if options.focus_m == "auto":
        wanted["AfMode"] = _AF_CONTINUOUS
    elif options.focus_m is not None:
        wanted |= {"AfMode": _AF_MANUAL, "LensPosition": 1.0 / options.focus_m}
    names = {*wanted, "ScalerCrop"} if options.region is not None else set(wanted)
    if missing := sorted(names - available.keys()):
        raise CameraError(
            f"this camera has no {', '.join(missing)}",
            "take the options for it out of the box file (most cameras are focused by hand, at the lens)",
        )
    if beyond := out_of_range(options, available):
        raise CameraError("; ".join(beyond), "fix the [camera] table of the box file")
    if options.region is not None:
        wanted |= _crops(options, options.region, available, picture)
    return wanted


def _crops(
    options: PicameraOptions, region: Box, available: Mapping[str, Any], picture: tuple[int, int]
) -> dict[str, Any]:
    _least, most, default = available["ScalerCrop"]
    part = crop(half_a_turn(region) if options.turned_by_us else region, default or most, picture)
    if "ScalerCrops" not in available:
        return {"ScalerCrop": part}
    return {"ScalerCrop": part, "ScalerCrops": [part, part]}  # of the large picture and of the small one


def out_of_range(options: PicameraOptions, available: Mapping[str, Any]) -> tuple[str, ...]:
    """What this camera cannot, each as a sentence with its own range; see `controls`."""
    found = []
    exposure_us = None if options.exposure_s is None else round(options.exposure_s * 1e6)
    if (limits := _missed(exposure_us, available, "ExposureTime")) and options.exposure_s is not None:
        least_ms, most_ms = (limit / 1000 for limit in limits)
        found.append(
            f"this camera cannot expose for {options.exposure_s * 1000:g} ms: "
            f"exposure_s may be {least_ms / 1000:g} to {most_ms / 1000:g}"
        )
    if limits := _missed(options.gain, available, "AnalogueGain"):
        found.append(
            f"this camera has no gain of {options.gain:g}: gain may be {limits[0]:g} to {limits[1]:.4g}"
        )
    for name, gain in zip(("red", "blue"), options.white_balance or (), strict=False):
        if limits := _missed(gain, available, "ColourGains"):
            found.append(
                f"this camera has no white balance gain of {gain:g} for {name}: "
                f"white_balance may be {limits[0]:g} to {limits[1]:g}"
            )
    if isinstance(options.focus_m, (int, float)):
        limits = _missed(1.0 / options.focus_m, available, "LensPosition")
        if limits:
            nearest_m = 1.0 / limits[1] if limits[1] > 0 else float("inf")
            furthest = f" to {1.0 / limits[0]:.2g}" if limits[0] > 0 else " or more"
            found.append(
                f"this camera cannot focus at {options.focus_m:g} m: focus_m may be {nearest_m:.2g}{furthest}"
            )
    return tuple(found)


def _missed(value: float | None, available: Mapping[str, Any], control: str) -> tuple[float, float] | None:
    """The control's limits if `value` is outside; None: it is inside, not asked for, or they are not told."""
    if value is None or control not in available:
        return None
    least, most = (_number(limit) for limit in available[control][:2])
    if least is None or most is None or most <= least:
        return None
    slack = 1e-6 * abs(most)  # the camera counts in single precision
    return None if least - slack <= value <= most + slack else (least, most)


def _number(limit: Any) -> float | None:
    """A limit as one number: a control of several values may tell one for each."""
    if isinstance(limit, (list, tuple)):
        limit = limit[0] if limit else None
    return float(limit) if isinstance(limit, (int, float)) else None


def half_a_turn(region: Box) -> Box:
    """Where `region` of the picture lies in the same picture turned by half a turn."""
    return Box(1.0 - region.x1, 1.0 - region.y1, 1.0 - region.x0, 1.0 - region.y0)


def crop(region: Box, most: Rectangle, picture: tuple[int, int]) -> Rectangle:
    """The sensor's rectangle for `region`, widened to the shape of `picture` and moved to lie in `most`.

    `most` is the rectangle that the whole view uses. A rectangle of another shape than the picture's would
    be stretched.
    """
    left, top, width, height = most
    x0, x1 = left + region.x0 * width, left + region.x1 * width
    y0, y1 = top + region.y0 * height, top + region.y1 * height
    shape = picture[0] / picture[1]
    wide = min(max(x1 - x0, (y1 - y0) * shape), width, height * shape)
    high = wide / shape
    x = min(max((x0 + x1 - wide) / 2, left), left + width - wide)
    y = min(max((y0 + y1 - high) / 2, top), top + height - high)
    return round(x), round(y), int(wide) // 2 * 2, int(high) // 2 * 2


def part_used(region: Box, picture: tuple[int, int]) -> Box:
    """The part of the whole view that a picture shows for `region`: it is widened to the picture's shape.

    `picture` is (width, height), which is the whole view's shape as well. As exact as the sensor's pixels.
    """
    width, height = picture
    left, top, wide, high = crop(region, (0, 0, width, height), picture)
    return Box(left / width, top / height, (left + wide) / width, (top + high) / height)


@dataclass(frozen=True, slots=True)
class Shown:
    """Which part of the whole view pictures show: as a frame tells, else as was asked for."""

    asked: Rectangle | None = None  # None: no region, so all of it
    whole: Rectangle = (0, 0, 1, 1)
    turned: bool = False  # the pictures are turned here: the sensor's rectangle lies the other way round

    @classmethod
    def of(cls, options: PicameraOptions, available: Mapping[str, Any], chosen: Mapping[str, Any]) -> Shown:
        """By what the camera has and what was chosen of it; see `controls`."""
        if "ScalerCrop" not in chosen:
            return cls()
        _least, most, default = available["ScalerCrop"]
        return cls(tuple(chosen["ScalerCrop"]), tuple(default or most), options.turned_by_us)

    def part(self, told: Any) -> Box | None:
        """None: all of it. `told` is a frame's own ScalerCrop, None where it tells none."""
        if self.asked is None:
            return None
        (x, y, wide, high), (left, top, width, height) = told or self.asked, self.whole
        x0, y0 = (x - left) / width, (y - top) / height
        part = Box(x0, y0, x0 + wide / width, y0 + high / height)
        return half_a_turn(part) if self.turned else part


def crop_fault(asked: Any, got: Any) -> str | None:
    """Why the crop that a frame tells of is not the one asked for; None: it is, or nothing is told."""
    if asked is None or got is None:
        return None
    far = max(abs(a - g) for a, g in zip(asked, got, strict=True))
    if far <= 0.02 * max(asked[2:]):  # drivers round to what their scaler can do
        return None
    return f"the region asked for is {tuple(asked)}, the camera uses {tuple(got)}"
