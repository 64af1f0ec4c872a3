"""The box file's [camera] table. Pure."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from dooryard.box.sinks import PathText
from dooryard.gate.settings import LONGEST_PX, SHORTEST_PX
from dooryard.policy.fields import known_zone
from dooryard.policy.schema import Table

# Keys of [camera] that only some kinds have.
CAMERA_KEYS: dict[str, frozenset[str]] = {
    "picamera": frozenset(
        {
            "camera_index",
            "large_width",
            "large_height",
            "frames_per_s",
            "upside_down",
            "region",
            "exposure_s",
            "gain",
            "white_balance",
            "focus_m",
        }
    ),
    "folder": frozenset({"folder", "index", "time_zone"}),
    "scene": frozenset({"seed", "preset", "seconds", "large_width", "large_height", "frames_per_s"}),
    "fake": frozenset({"script", "repeat", "live", "frames_per_s"}),
}

Side = Annotated[int, Field(ge=16, le=8192)]
LumaSide = Annotated[int, Field(ge=SHORTEST_PX, le=LONGEST_PX)]
Part = Annotated[float, Field(ge=0, le=1)]  # of a side of the picture
Rectangle = Annotated[tuple[Part, Part, Part, Part], Field(strict=False)]  # left, top, right, bottom


class CameraOptions(Table):
    """Where frames come from."""

    kind: Literal["picamera", "folder", "scene", "fake"] = Field(
        default="picamera",
        description="The board's camera, a recording, the simulated garden, or a scripted fake.",
    )
    camera_index: int = Field(default=0, ge=0, le=15, description="Which of the board's cameras (picamera).")
    upside_down: bool = Field(default=False, description="The camera is rotated 180° (picamera).")
    region: tuple[Part, Part, Part, Part] | None = Field(
        default=None,
        strict=False,
        description="The part of the upright view to use: left, top, right, bottom, 0 to 1 (picamera).",
    )
    blackout: tuple[Rectangle, ...] = Field(
        default=(),
        strict=False,
        max_length=32,
        description="Parts of the upright view that nobody is to see, such as a neighbour's window, each as"
        " region has it, whatever the region. Black before anything is stored, sent or shown.",
    )
    exposure_s: float | None = Field(
        default=None,
        gt=0,
        le=1,
        description="Exposure to hold, in seconds. Left out: automatic (picamera).",
    )
    gain: float | None = Field(
        default=None, ge=1, le=64, description="Gain to hold. Left out: automatic (picamera)."
    )
    white_balance: tuple[float, float] | None = Field(
        default=None, strict=False, description="Gains of red and blue to hold (picamera)."
    )
    focus_m: float | Literal["auto"] | None = Field(
        default=None, description='Distance to focus on, in metres, or "auto" (picamera).'
    )
    folder: PathText | None = Field(default=None, description="Where a recording's frames are (folder).")
    index: PathText | None = Field(
        default=None, description="CSV file with the frames' times (folder). Left out: times from EXIF."
    )
    time_zone: Annotated[str, AfterValidator(known_zone)] | None = Field(
        default=None, description="IANA name, for frame times without an offset (folder). Left out: UTC."
    )
    preset: str = Field(
        default="alder row afternoon", max_length=40, description="Which scene it is, by its name (scene)."
    )
    seed: int | None = Field(default=None, ge=0, description="Random seed (scene). Left out: the preset's.")
    seconds: float | None = Field(
        default=None, gt=0, le=86400, description="How long it lasts (scene). Left out: as the preset has it."
    )
    script: str = Field(default="f", min_length=1, max_length=10_000, description="What happens (fake).")
    repeat: bool = Field(default=True, description="Whether the script starts again at its end (fake).")
    live: bool = Field(default=True, description="Whether frames take real time (fake).")
    luma_width: LumaSide = Field(
        default=320, description="Width of the small grey picture that motion is sought in."
    )
    luma_height: LumaSide = Field(default=240, description="Its height.")
    large_width: Side | None = Field(
        default=None,
        description="Width of the large picture. Left out: 1640 (picamera), the preset's (scene).",
    )
    large_height: Side | None = Field(
        default=None, description="Its height. Left out: 1232 (picamera), the preset's (scene)."
    )
    frames_per_s: float | None = Field(
        default=None,
        gt=0,
        le=120,
        description="Frames a second. Left out: 10 (picamera), 5 (fake), the preset's (scene).",
    )
    stall_after_s: float = Field(
        default=10.0,
        ge=1,
        le=600,
        description="Seconds without a frame after which the camera is reopened.",
    )

    @model_validator(mode="after")
    def _complete(self) -> CameraOptions:
        if self.kind == "folder" and self.folder is None:
            raise ValueError('a camera of kind "folder" needs the key folder: where the frames are')
        if (self.large_width is None) != (self.large_height is None):
            raise ValueError("large_width and large_height go together; give both or neither")
        return self
