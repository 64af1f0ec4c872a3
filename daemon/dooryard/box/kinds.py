"""What every camera, sensor and sink can be told in a box file, and how a kind of one is made of it.

A kind is one class: its keys are the fields, and `build` makes the thing. Those that come with the program
are in `camera`, `sensors` and `sinks` beside this; another installed package can bring more, see `plugins`.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import AfterValidator, Field

from dooryard.box.addresses import sink_name
from dooryard.camera.base import Camera
from dooryard.camera.blackout import WHOLE, blacked_out
from dooryard.core.clock import Clock
from dooryard.core.errors import ConfigError, DooryardError
from dooryard.core.records import Box
from dooryard.gate.settings import LONGEST_PX, SHORTEST_PX
from dooryard.policy.schema import Line, Table
from dooryard.sensors.base import Sensor
from dooryard.sensors.kinds import Machine
from dooryard.sinks.base import Sink

T = TypeVar("T")

PathText = Annotated[str, Field(min_length=1, max_length=4096)]
LumaSide = Annotated[int, Field(ge=SHORTEST_PX, le=LONGEST_PX)]
Part = Annotated[float, Field(ge=0, le=1)]  # of a side of the picture
Rectangle = Annotated[tuple[Part, Part, Part, Part], Field(strict=False)]  # left, top, right, bottom
SinkLabel = Annotated[str, AfterValidator(sink_name)]


class CameraOptions(Table):
    """Where frames come from: what cameras of all kinds have."""

    kind: str
    luma_width: LumaSide = Field(
        default=320, description="Width of the small grey picture that motion is sought in."
    )
    luma_height: LumaSide = Field(default=240, description="Its height.")
    stall_after_s: float = Field(
        default=10.0,
        ge=1,
        le=600,
        description="Seconds without a frame after which the camera is opened again.",
    )
    blackout: tuple[Rectangle, ...] = Field(
        default=(),
        strict=False,
        max_length=32,
        description="Parts of the upright view that nobody is to see, such as a neighbour's window, each as"
        " left, top, right, bottom, whatever the region. Black before anything is stored, sent or shown.",
    )

    @property
    def luma_size(self) -> tuple[int, int]:
        return self.luma_width, self.luma_height

    @property
    def shows(self) -> Box:
        """The part of its whole upright view that pictures show, where they do not say so themselves."""
        return WHOLE

    def build(self, clock: Clock, base: Path) -> Camera:
        """The camera, not yet opened. `clock` is what a live one tells the time by.

        Paths are relative to `base`. Raises ConfigError or CameraError for what cannot work.
        """
        raise NotImplementedError

    def built(self, clock: Clock, base: Path) -> Camera:
        """The camera, with what nobody is to see blacked out, whichever kind it is."""
        camera = made(self, lambda: self.build(clock, base))
        return blacked_out(camera, [Box(*part) for part in self.blackout], self.shows)


class SensorOptions(Table):
    """Something that tells how the box is: what sensors of all kinds have."""

    kind: str
    name: Line = Field(description="What policies call it.")
    every_s: float | None = Field(
        default=None, ge=1, le=3600, description="Seconds between readings. Left out: the kind's own pace."
    )

    def build(self, machine: Machine) -> Sensor:
        """The sensor, at its kind's own pace. Raises ValueError for what makes no sense."""
        raise NotImplementedError

    def built(self, machine: Machine) -> Sensor:
        """The sensor, at the pace that was asked for."""
        sensor = made(self, lambda: self.build(machine))
        if self.every_s is not None:
            sensor.every_s = self.every_s
        return sensor

    @property
    def reads(self) -> Hashable:
        """What it reads: two that read the same are a mistake. None: never the same as another."""
        asked = type(self).model_fields.keys() - SensorOptions.model_fields.keys()
        return self.kind, *((key, getattr(self, key)) for key in sorted(asked))


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a sink may need beside its own keys."""

    base: Path  # paths in the box file are relative to it
    box_name: str
    journal: Path  # the folder of the journal's pages
    reveal: Callable[[object], str | None]  # a secret's reference -> the secret; None -> None
    secret_file: Callable[[object], Path]  # a secret's reference -> the file that it is in


class SinkOptions(Table):
    """A way out: what sinks of all kinds have."""

    kind: str
    name: SinkLabel = Field(description="What policies call it.")

    @property
    def tells_of_visits(self) -> bool:
        """Whether policies may name it."""
        return True

    def build(self, around: Surroundings) -> Sink:
        """Raises SinkError for what cannot work."""
        raise NotImplementedError


BROUGHT: dict[type[Table], str] = {}
"""Each class that another package has brought, and which package that is."""


def made(options: Table, make: Callable[[], T]) -> T:
    """What `make` makes of `options`. Another's fault becomes a ConfigError that names the package."""
    try:
        return make()
    except (DooryardError, ValueError):
        raise
    except Exception as error:
        by = BROUGHT.get(type(options))
        if by is None:
            raise
        raise ConfigError(
            f"{by} failed: {type(error).__name__}: {error}",
            "fix or upgrade that package, or take this kind out",
        ) from error
