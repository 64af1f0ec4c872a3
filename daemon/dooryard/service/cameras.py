"""Which cameras there are: kind -> how to build one from plain values, as a box file gives them.

To add a camera: write its module, a function here and its row in `CAMERAS`, and its making in the
contract suite (tests/contract/test_cameras.py), which fails for a kind that it cannot make.
"""

from __future__ import annotations

import dataclasses
import difflib
import inspect
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_type_hints

from pydantic import ConfigDict, PositiveInt, TypeAdapter, ValidationError

from dooryard.camera.base import Camera
from dooryard.core.clock import Clock
from dooryard.core.errors import ConfigError

Builder = Callable[..., Camera]
Size = tuple[PositiveInt, PositiveInt]  # [width, height]


def build(kind: str, clock: Clock, **options: Any) -> Camera:
    """Return a camera of `kind`, not yet opened.

    `clock` is what live cameras tell the time by. `options` are the keyword arguments of the kind's
    function below: strings, numbers, and [width, height] for sizes. Raises `ConfigError` for a kind,
    option or value that does not exist, and `CameraError` for values that cannot work together.
    """
    builder = CAMERAS.get(kind)
    if builder is None:
        raise ConfigError(
            f"there is no camera kind {kind!r}{_guess(kind, CAMERAS)}", _list_of("kinds", CAMERAS)
        )
    where = f"the camera kind {kind!r}"
    takes = dict(list(inspect.signature(builder).parameters.items())[1:])  # all but the clock
    if not any(option.kind is option.VAR_KEYWORD for option in takes.values()):
        _check_known(where, options, list(takes))
    for name, option in takes.items():
        if option.kind is option.KEYWORD_ONLY and option.default is option.empty and name not in options:
            raise ConfigError(f"{where} needs the option {name!r}", "add it")
    hints = get_type_hints(builder, include_extras=True)
    values = {name: _value(where, name, value, hints.get(name, Any)) for name, value in options.items()}
    return builder(clock, **values)


def _folder(
    clock: Clock,
    *,
    folder: str,
    index: str | None = None,
    luma_size: Size = (320, 240),
    time_zone: str | None = None,
) -> Camera:
    from dooryard.recording.recordings import recording_camera

    del clock  # a recording brings its own times
    return recording_camera(Path(folder), Path(index) if index else None, luma_size, time_zone)


def _fake(
    clock: Clock,
    *,
    script: str = "f",
    repeat: bool = True,
    live: bool = True,
    frames_per_s: float = 5.0,
    luma_size: Size = (320, 240),
) -> Camera:
    from dooryard.camera.fake import FakeCamera

    return FakeCamera(
        script,
        repeat=repeat,
        live=live,
        frames_per_s=frames_per_s,
        luma_size=luma_size,
        clock=clock if live else None,
    )


def _picamera(
    clock: Clock,
    *,
    camera_index: int = 0,
    large_size: Size = (1640, 1232),
    luma_size: Size = (320, 240),
    frames_per_s: float = 10.0,
    buffers: int = 4,
    upside_down: bool = False,
    region: tuple[float, float, float, float] | None = None,
    exposure_s: float | None = None,
    gain: float | None = None,
    white_balance: tuple[float, float] | None = None,
    focus_m: float | Literal["auto"] | None = None,
) -> Camera:
    from dooryard.camera.picamera_options import PicameraOptions, PicameraSettings
    from dooryard.camera.picamera_process import PicameraProcess
    from dooryard.core.records import Box

    options = PicameraOptions(
        upside_down=upside_down,
        region=None if region is None else Box(*region),
        exposure_s=exposure_s,
        gain=gain,
        white_balance=white_balance,
        focus_m=focus_m,
    )
    settings = PicameraSettings(camera_index, large_size, luma_size, frames_per_s, buffers, options)
    return PicameraProcess(clock, settings)


def _scene(
    clock: Clock,
    *,
    frames: PositiveInt | None = None,
    luma_size: Size = (320, 240),
    direct_luma: bool = False,
    **garden: Any,
) -> Camera:
    """`garden` are the fields of `GardenSettings`; `visits` are tables with those of `RequestedVisit`."""
    from dooryard.camera.garden.settings import GardenSettings, RequestedVisit
    from dooryard.camera.scene import SceneCamera

    del clock  # a simulated afternoon brings its own times
    own = ["frames", "luma_size", "direct_luma"]
    _check_known("the camera kind 'scene'", garden, own + _fields(GardenSettings))
    for visit in garden.get("visits") or ():
        _check_known("a visit of the camera kind 'scene'", visit, _fields(RequestedVisit))
    try:
        settings = TypeAdapter(GardenSettings).validate_python(garden)
    except ValidationError as error:
        raise ConfigError(f"the camera kind 'scene': {_first(error)}", "mend this option") from error
    return SceneCamera(settings, frames=frames, luma_size=luma_size, direct_luma=direct_luma)


CAMERAS: Mapping[str, Builder] = {
    "fake": _fake,
    "folder": _folder,
    "picamera": _picamera,
    "scene": _scene,
}


def _check_known(where: str, options: Mapping[str, object], known: Sequence[str]) -> None:
    for option in options:
        if option not in known:
            raise ConfigError(
                f"{where} has no option {option!r}{_guess(option, known)}", _list_of("options", known)
            )


def _value(where: str, name: str, value: object, hint: Any) -> object:
    """`value` if it is of the type `hint`, strictly; lists become tuples. Raises `ConfigError`."""
    given = tuple(value) if isinstance(value, list) else value
    try:
        return TypeAdapter(hint, config=ConfigDict(strict=True)).validate_python(given)
    except ValidationError as error:
        what = f"{where}: {name} is {value!r}: {_first(error)}"
        raise ConfigError(what, "mend this option; a size is [width, height] in pixels") from error


def _first(error: ValidationError) -> str:
    """The first thing wrong: where in the value, and what."""
    problem = error.errors()[0]
    place = ".".join(str(part) for part in problem["loc"])
    text = problem["msg"].removeprefix("Value error, ")
    return f"{place}: {text}" if place else text


def _fields(record: type) -> list[str]:
    return [field.name for field in dataclasses.fields(record)]


def _guess(word: str, known: Mapping[str, object] | Sequence[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1)
    return f' (did you mean "{close[0]}"?)' if close else ""


def _list_of(what: str, known: Mapping[str, object] | Sequence[str]) -> str:
    return f"use one of the {what}: {', '.join(sorted(known))}"
