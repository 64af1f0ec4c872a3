"""The box file's [camera] table: the kinds of camera that come with the program."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from dooryard.box.kinds import CameraOptions, PathText, Rectangle
from dooryard.camera.base import Camera
from dooryard.camera.blackout import WHOLE
from dooryard.core.clock import Clock
from dooryard.core.errors import ConfigError
from dooryard.core.records import Box
from dooryard.policy.fields import known_zone

ALDER_ROW = "alder row afternoon"
USUAL = "picamera"  # where no kind is given

Side = Annotated[int, Field(ge=16, le=8192)]


class PicameraTable(CameraOptions):
    """The board's camera."""

    kind: Literal["picamera"] = "picamera"
    camera_index: int = Field(default=0, ge=0, le=15, description="Which of the board's cameras.")
    large_width: Side | None = Field(default=None, description="Width of the large picture. Left out: 1640.")
    large_height: Side | None = Field(default=None, description="Its height. Left out: 1232.")
    frames_per_s: float | None = Field(
        default=None, gt=0, le=120, description="Frames a second. Left out: 10."
    )
    upside_down: bool = Field(default=False, description="It is mounted rotated 180°.")
    region: Rectangle | None = Field(
        default=None,
        strict=False,
        description="The part of the upright view to use: left, top, right, bottom, 0 to 1.",
    )
    exposure_s: float | None = Field(
        default=None, gt=0, le=1, description="Exposure to hold, in seconds. Left out: automatic."
    )
    gain: float | None = Field(default=None, ge=1, le=64, description="Gain to hold. Left out: automatic.")
    white_balance: tuple[float, float] | None = Field(
        default=None, strict=False, description="Gains of red and blue to hold. Left out: automatic."
    )
    focus_m: float | Literal["auto"] | None = Field(
        default=None, description='Distance to focus on, in metres, or "auto".'
    )

    @model_validator(mode="after")
    def _complete(self) -> PicameraTable:
        both(self.large_width, self.large_height)
        return self

    @property
    def shows(self) -> Box:
        from dooryard.camera.picamera_options import part_used

        if self.region is None:
            return WHOLE
        return part_used(Box(*self.region), (self.large_width or 1640, self.large_height or 1232))

    def build(self, clock: Clock, base: Path) -> Camera:
        from dooryard.camera.picamera_options import PicameraOptions, PicameraSettings
        from dooryard.camera.picamera_process import PicameraProcess

        del base
        options = PicameraOptions(
            upside_down=self.upside_down,
            region=None if self.region is None else Box(*self.region),
            exposure_s=self.exposure_s,
            gain=self.gain,
            white_balance=self.white_balance,
            focus_m=self.focus_m,
        )
        settings = PicameraSettings(camera_index=self.camera_index, luma_size=self.luma_size, options=options)
        if self.large_width is not None and self.large_height is not None:
            settings = replace(settings, large_size=(self.large_width, self.large_height))
        if self.frames_per_s is not None:
            settings = replace(settings, frames_per_s=self.frames_per_s)
        return PicameraProcess(clock, settings)


class FolderTable(CameraOptions):
    """A recording: pictures in a folder."""

    kind: Literal["folder"]
    folder: PathText = Field(description="Where a recording's frames are.")
    index: PathText | None = Field(
        default=None, description="CSV file with the frames' times. Left out: times from EXIF."
    )
    time_zone: Annotated[str, AfterValidator(known_zone)] | None = Field(
        default=None, description="IANA name, for frame times without an offset. Left out: UTC."
    )

    def build(self, clock: Clock, base: Path) -> Camera:
        from dooryard.recording.recordings import recording_camera

        del clock  # a recording brings its own times
        index = base / self.index if self.index else None
        return recording_camera(base / self.folder, index, self.luma_size, self.time_zone)


class SceneTable(CameraOptions):
    """The simulated garden."""

    kind: Literal["scene"]
    preset: str = Field(default=ALDER_ROW, max_length=40, description="Which scene it is, by its name.")
    seed: int | None = Field(default=None, ge=0, description="Random seed. Left out: the preset's.")
    seconds: float | None = Field(
        default=None, gt=0, le=86400, description="How long it lasts. Left out: as the preset has it."
    )
    large_width: Side | None = Field(
        default=None, description="Width of the large picture. Left out: the preset's."
    )
    large_height: Side | None = Field(default=None, description="Its height. Left out: the preset's.")
    frames_per_s: float | None = Field(
        default=None, gt=0, le=120, description="Frames a second. Left out: the preset's."
    )

    @model_validator(mode="after")
    def _complete(self) -> SceneTable:
        both(self.large_width, self.large_height)
        return self

    def build(self, clock: Clock, base: Path) -> Camera:
        from dooryard.camera.garden.families import FAMILIES, PRESETS, family
        from dooryard.camera.scene import SceneCamera

        del clock, base  # a simulated afternoon brings its own times
        if self.preset not in PRESETS and self.preset not in FAMILIES:
            known = ", ".join(f'"{known}"' for known in (*PRESETS, *FAMILIES))
            raise ConfigError(f'camera.preset: there is no scene "{self.preset}"', f"choose one of {known}")
        seed = 1 if self.seed is None else self.seed
        garden = PRESETS[self.preset]() if self.preset in PRESETS else family(self.preset, seed)
        asked = {"seed": self.seed, "duration_s": self.seconds, "width": self.large_width,
                 "height": self.large_height, "frames_per_s": self.frames_per_s}  # fmt: skip
        try:
            garden = replace(garden, **{name: value for name, value in asked.items() if value is not None})  # type: ignore[arg-type]
        except ValueError as error:
            raise ConfigError(f"camera: {error}", "fix the scene's keys in the box file") from error
        return SceneCamera(garden, luma_size=self.luma_size)


class FakeCameraTable(CameraOptions):
    """A scripted fake."""

    kind: Literal["fake"]
    script: str = Field(default="f", min_length=1, max_length=10_000, description="What happens.")
    repeat: bool = Field(default=True, description="Whether the script starts again at its end.")
    live: bool = Field(default=True, description="Whether frames take real time.")
    frames_per_s: float | None = Field(
        default=None, gt=0, le=120, description="Frames a second. Left out: 5."
    )

    def build(self, clock: Clock, base: Path) -> Camera:
        from dooryard.camera.fake import FakeCamera

        del base
        return FakeCamera(
            self.script,
            repeat=self.repeat,
            live=self.live,
            frames_per_s=5.0 if self.frames_per_s is None else self.frames_per_s,
            luma_size=self.luma_size,
            clock=clock if self.live else None,
        )


def both(width: int | None, height: int | None) -> None:
    """Raises ValueError where one is given without the other."""
    if (width is None) != (height is None):
        raise ValueError("large_width and large_height go together; give both or neither")


def kind_of(table: object) -> str:
    """What tells one kind of camera from another in a file: the key kind, which may be left out."""
    kind = table.get("kind", USUAL) if isinstance(table, dict) else getattr(table, "kind", USUAL)
    return kind if isinstance(kind, str) else repr(kind)


CAMERAS: tuple[type[CameraOptions], ...] = (PicameraTable, FolderTable, SceneTable, FakeCameraTable)
