"""What an owner can ask for about the box's own health: heat, power, moisture, disk, messages. Pure."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, model_validator

from dooryard.policy.fields import ALL_SINKS, SensorName, SinkNames, Table, as_tuple

Temp = Annotated[float, Field(ge=-40, le=125)]


class Spare(Table):
    """What is done without while a step holds."""

    frames_per_s: float | None = Field(
        default=None,
        gt=0,
        le=30,
        description="The most frames a second meanwhile. Left out: as many as ever.",
    )
    look_every_s: float | None = Field(
        default=None,
        ge=0.1,
        le=600,
        description="Seconds between two looks of the classifier at one place meanwhile. Left out: as ever.",
    )
    camera: Literal["on", "off"] = Field(
        default="on", description='"off": the camera is closed meanwhile, and nobody is seen.'
    )
    halt: bool = Field(
        default=False,
        description="Whether the box halts in good order, until its power is switched off and on.",
    )

    @property
    def asks_nothing(self) -> bool:
        return (
            self.frames_per_s is None and self.look_every_s is None and self.camera == "on" and not self.halt
        )

    @property
    def in_words(self) -> str:
        """What is done: "2 frames a second, camera off"."""
        said = []
        if self.halt:
            said.append("halt")
        if self.camera == "off":
            said.append("camera off")
        if self.frames_per_s is not None:
            said.append(f"{self.frames_per_s:g} frames a second at most")
        if self.look_every_s is not None:
            said.append(f"a look every {self.look_every_s:g} s at most")
        return ", ".join(said) or "nothing is done without"

    @property
    def lifted_in_words(self) -> str:
        """What is so again when it is over: "camera on again, frames at the usual rate"."""
        said = []
        if self.camera == "off":
            said.append("camera on again")
        if self.frames_per_s is not None:
            said.append("frames at the usual rate")
        if self.look_every_s is not None:
            said.append("looks at the usual rate")
        return ", ".join(said) or "nothing else changes"


class _Bounds(Table):
    """When a heat step is entered and left. A class of its own, so that its keys come first."""

    sensor: SensorName = Field(description='Name of the box\'s sensor, such as "cpu" or "enclosure".')
    above_c: Temp = Field(description="The step is entered above this temperature, °C.")
    until_below_c: Temp = Field(description="It is left below this one, °C.")
    at_least_min: float = Field(
        default=3.0, ge=0, le=1440, description="It holds for at least this many minutes."
    )


class Heat(Spare, _Bounds):
    """A step: what is done without from one temperature on until it is below another."""

    @model_validator(mode="after")
    def _steps_down(self) -> Heat:
        if self.until_below_c > self.above_c - 1:
            raise ValueError(
                "until_below_c must be at least 1 °C below above_c, or the step would switch back and forth"
            )
        if self.asks_nothing:
            raise ValueError("does nothing; give frames_per_s, look_every_s, camera or halt")
        return self


class _Flag(Table):
    """What tells of a low voltage."""

    sensor: SensorName = Field(
        default="low-power", description="Name of the box's sensor that tells of a low voltage."
    )
    at_least_min: float = Field(
        default=10.0, ge=0, le=1440, description="It holds for at least this many minutes."
    )


class LowPower(Spare, _Flag):
    """What is done without while the supply's voltage is low."""


class Moisture(Table):
    """When to warn that water may settle in the box."""

    air: SensorName = Field(default="enclosure", description="Sensor of the air's temperature in the box.")
    humidity: SensorName | None = Field(
        default=None, description="Sensor of the air's relative humidity. Left out: no watch is kept."
    )
    surfaces: Annotated[tuple[SensorName, ...], BeforeValidator(as_tuple), Field(max_length=8)] = Field(
        default=(),
        description="Sensors of surfaces, such as the window; the coldest counts. None: the air itself.",
    )
    margin_c: float = Field(
        default=2.0,
        ge=0,
        le=20,
        description="Warns when the coldest is less than this above the dew point, °C.",
    )
    clear_c: float = Field(
        default=4.0, ge=0, le=40, description="Dry again when it is more than this above it, °C."
    )

    @model_validator(mode="after")
    def _clears(self) -> Moisture:
        if self.clear_c < self.margin_c + 0.5:
            raise ValueError(
                "clear_c must be at least 0.5 above margin_c, or the warning would switch back and forth"
            )
        return self


class Disk(Table):
    """When to tell that room on the card runs short."""

    tell_below_mb: int = Field(
        default=500, ge=0, le=1_000_000, description="Told when less than this is free (10^6 bytes)."
    )


_ALL = (ALL_SINKS,)
ALL_MESSAGES = "all"
MessageKind = Literal[
    "start", "stop", "status", "halt", "heat", "power", "moisture", "disk", "memory", "network",
    "classifier", "camera", "clock", "sensor", "policy", "journal",
]  # fmt: skip
MESSAGES: tuple[str, ...] = get_args(MessageKind)


class Messages(Table):
    """Who is told of the box itself; each is a list of sinks, "all", or empty for nobody."""

    urgent: Annotated[tuple[MessageKind | Literal["all"], ...], BeforeValidator(as_tuple)] = Field(
        default=("halt", "heat", "power", "camera"),
        description='Which of the messages below go out in quiet hours too; "all": every one.',
    )
    start: SinkNames = Field(default=(), description="It has started.")
    stop: SinkNames = Field(default=(), description="It was told to stop.")
    status: SinkNames = Field(default=_ALL, description="How things are: a short press of the button.")
    halt: SinkNames = Field(default=_ALL, description="It halts: by the button, or by a step.")
    heat: SinkNames = Field(
        default=_ALL,
        description="A heat step was entered or left; the board is throttling, or no longer.",
    )
    power: SinkNames = Field(default=_ALL, description="The supply's voltage is low, or normal again.")
    moisture: SinkNames = Field(default=_ALL, description="Water may settle in the box, or it is dry again.")
    disk: SinkNames = Field(default=_ALL, description="Disk space is low, or the card fails.")
    memory: SinkNames = Field(default=_ALL, description="Memory is low, or enough is free again.")
    network: SinkNames = Field(default=_ALL, description="A sink cannot be reached, or can be again.")
    classifier: SinkNames = Field(default=_ALL, description="The classifier fails, or works again.")
    camera: SinkNames = Field(default=_ALL, description="The camera is lost, or back.")
    clock: SinkNames = Field(default=_ALL, description="The clock is not set after ten minutes, or then is.")
    sensor: SinkNames = Field(default=_ALL, description="A sensor fell silent, or is heard again.")
    policy: SinkNames = Field(default=_ALL, description="A changed policy was taken up, or refused.")
    journal: SinkNames = Field(default=_ALL, description="The journal cannot be built, or is built again.")
