"""All that can be set about the simulated garden, with units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple
from zoneinfo import ZoneInfo

from dooryard.camera.garden.species import SPECIES

DESIGN_WIDTH = 640  # lengths called "px" in the garden are pixels of a view this wide
STEP_S = 0.02  # step of the physics
AFTERNOON = datetime(2026, 6, 14, 14, 0, tzinfo=ZoneInfo("Europe/London"))


class Feeder(StrEnum):
    """What hangs in the garden."""

    TUBE = "tube"
    CAGE = "cage"
    TRAY = "tray"
    NONE = "none"
    ANY = "any"  # one of the first three, by the seed


class Backdrop(StrEnum):
    """What is seen behind the feeder."""

    FENCE = "fence"
    HEDGE = "hedge"
    ORCHARD = "orchard"
    SKY = "sky"
    SNOW = "snow"
    ANY = "any"  # one of the first three, by the seed


class PixelSize(NamedTuple):
    """The size of a picture, in pixels."""

    width: int
    height: int

    @property
    def scale(self) -> float:
        """Picture pixels per design pixel."""
        return self.width / DESIGN_WIDTH


@dataclass(frozen=True, slots=True)
class RequestedVisit:
    """A visit that is asked for: who, when (seconds from the start), and where.

    `place` is the place across the view (0..1) on the ground, or the number of the perch on the feeder.
    """

    species: str
    start_s: float
    stay_s: float
    on_feeder: bool = False
    place: float = 0.5
    depth: float = 0.6  # 0: far edge of the lawn, 1: bottom of the picture
    enters: int = -1  # -1 from the left, +1 from the right


@dataclass(frozen=True, slots=True)
class GardenSettings:
    """A garden and an afternoon in it. The same settings give the same pictures, to the bit."""

    seed: int = 1
    width: int = 640  # pixels
    height: int = 480
    frames_per_s: float = 5.0
    duration_s: float = 120.0
    start: datetime = AFTERNOON  # aware
    latitude_deg: float = 51.752
    longitude_deg: float = -1.258  # east positive
    wind_m_s: float = 3.0  # mean speed
    gusts_per_min: float = 2.0
    gust_m_s: float = 5.0  # mean extra speed at the peak of a gust
    rain: float = 0.0  # 0 dry .. 1 heavy
    clouds: float = 0.3  # 0 steady sun .. 1 sun and deep cloud by turns
    dapple: float = 0.2  # 0 no leaf shadows .. 1 strong ones
    noise: float = 0.3  # 0 none; 1 gives a deviation of 4 grey levels at base sensitivity
    camera_shake_px: float = 0.2  # deviation in a 5 m/s wind, in a view 640 wide
    exposure_step_ev: float = 0.0  # 0: smooth exposure; else the camera moves in such steps
    foliage: float = 0.6  # 0 bare .. 1 dense leaves in front
    feeder: Feeder = Feeder.ANY
    backdrop: Backdrop = Backdrop.ANY
    visits_per_min: float = 1.0
    species: tuple[str, ...] = ("blackbird", "pigeon", "crow", "grey squirrel", "shore lark")
    visits: tuple[RequestedVisit, ...] | None = None  # None: by rate

    def __post_init__(self) -> None:
        if self.start.tzinfo is None:
            raise ValueError("start must be an aware datetime")
        if self.width % 4 or self.height % 4 or min(self.width, self.height) < 64:
            raise ValueError("width and height must be multiples of 4, at least 64 pixels")
        if self.frames_per_s <= 0 or self.duration_s <= 0:
            raise ValueError("frames_per_s and duration_s must be above 0")
        for name in ("rain", "clouds", "dapple", "foliage"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} must be within 0 and 1")
        for name in ("wind_m_s", "gusts_per_min", "gust_m_s", "noise", "camera_shake_px", "visits_per_min"):
            if getattr(self, name) < 0.0:
                raise ValueError(f"{name} must not be below 0")
        requested = {request.species for request in self.visits or ()} | set(self.species)
        unknown = sorted(requested - set(SPECIES))
        if unknown:
            raise ValueError(f"unknown species {unknown}; known are {sorted(SPECIES)}")

    @property
    def frame_count(self) -> int:
        return max(1, int(self.duration_s * self.frames_per_s))

    @property
    def view(self) -> PixelSize:
        return PixelSize(self.width, self.height)

    @property
    def design_height(self) -> int:
        """Height of the view in design pixels."""
        return round(self.height / self.view.scale)
