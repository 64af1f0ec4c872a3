"""The box file's [[sensor]] tables: the kinds that come with the program, and those of every board."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from dooryard.box.kinds import PathText, SensorOptions
from dooryard.core.errors import ConfigError
from dooryard.sensors import kinds
from dooryard.sensors.base import Sensor
from dooryard.sensors.kinds import Machine, Quantity


class ProcessorOptions(SensorOptions):
    """The processor's own temperature."""

    kind: Literal["cpu"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.cpu(self.name, machine)


class _OneOfSeveral(SensorOptions):
    """There may be several alike."""

    device: PathText | None = Field(default=None, description="Which one of several alike, by its bus name.")


class ChipOptions(_OneOfSeveral):
    """Any temperature that a driver gives to the kernel's hwmon."""

    kind: Literal["chip"]
    chip: PathText = Field(description="The name that the driver gives it.")

    def build(self, machine: Machine) -> Sensor:
        return kinds.chip(self.name, machine, self.chip, self.device)


class Ds18b20Options(_OneOfSeveral):
    """A thermometer on the one-wire bus."""

    kind: Literal["ds18b20"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.ds18b20(self.name, machine, self.device)


class _TwoValued(_OneOfSeveral):
    quantity: Quantity = Field(default="temperature", description="Which of its values.")


class Sht3xOptions(_TwoValued):
    """A thermometer and hygrometer on the I²C bus."""

    kind: Literal["sht3x"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.sht3x(self.name, machine, self.device, self.quantity)


class Bme280Options(_TwoValued):
    """Another one."""

    kind: Literal["bme280"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.bme280(self.name, machine, self.device, self.quantity)


class LowPowerOptions(SensorOptions):
    """Whether the supply's voltage is too low."""

    kind: Literal["low-power"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.low_power(self.name, machine)


class SlowedDownOptions(SensorOptions):
    """Whether the board slows itself down."""

    kind: Literal["slowed-down"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.slowed_down(self.name, machine)


class WifiOptions(SensorOptions):
    """How strong the Wi-Fi's signal is."""

    kind: Literal["wifi"]
    interface: PathText = Field(default="wlan0", description="Which network interface.")

    def build(self, machine: Machine) -> Sensor:
        return kinds.wifi(self.name, machine, self.interface)


class DiskRoomOptions(SensorOptions):
    """How much room is left on the disk of the state folder."""

    kind: Literal["disk"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.disk(self.name, machine)


class MemoryRoomOptions(SensorOptions):
    """How much memory is left."""

    kind: Literal["memory"]

    def build(self, machine: Machine) -> Sensor:
        del machine
        return kinds.memory(self.name)


class ClockOptions(SensorOptions):
    """Whether the clock is set."""

    kind: Literal["clock"]

    def build(self, machine: Machine) -> Sensor:
        return kinds.clock(self.name, machine)


class FakeSensorOptions(SensorOptions):
    """A scripted fake."""

    kind: Literal["fake"]
    quantity: Quantity = Field(default="temperature", description="What it says that it measures.")
    script: PathText = Field(default="0:20", description="What it says when: seconds:value ...")

    def build(self, machine: Machine) -> Sensor:
        del machine
        return kinds.fake(self.name, self.script, self.quantity)

    @property
    def reads(self) -> Hashable:
        return None


SENSORS: tuple[type[SensorOptions], ...] = (
    ProcessorOptions, ChipOptions, Ds18b20Options, Sht3xOptions, Bme280Options, LowPowerOptions,
    SlowedDownOptions, WifiOptions, DiskRoomOptions, MemoryRoomOptions, ClockOptions, FakeSensorOptions,
)  # fmt: skip

SYSTEM: tuple[SensorOptions, ...] = (
    ProcessorOptions(name="cpu", kind="cpu"),
    LowPowerOptions(name="low-power", kind="low-power"),
    SlowedDownOptions(name="slowed-down", kind="slowed-down"),
    DiskRoomOptions(name="disk", kind="disk"),
    MemoryRoomOptions(name="memory", kind="memory"),
    ClockOptions(name="clock", kind="clock"),
)
"""Those that every box has without being told, as far as the board has them."""


@dataclass(frozen=True, slots=True)
class BuiltSensors:
    """The sensors, and which of `SYSTEM` this board does not have, each with why: to be said at start."""

    sensors: tuple[Sensor, ...]
    absent: tuple[str, ...]


def build(asked: Sequence[SensorOptions], machine: Machine) -> BuiltSensors:
    """The sensors that were asked for, and those of `SYSTEM` that the board has and none of these replaces.

    What was asked for is built whether it is there or not: its first reading tells. Raises ConfigError
    with all that makes no sense.
    """
    names = [each.name for each in asked]
    problems = [f"two sensors are called {name!r}" for name in sorted(set(names)) if names.count(name) > 1]
    built: list[Sensor] = []
    for each in asked:
        try:
            built.append(each.built(machine))
        except ValueError as error:
            problems.append(f"sensor {each.name!r}: {error}")
    if problems:
        raise ConfigError("\n".join(problems), "fix the [[sensor]] tables of the box file")
    absent = []
    for each in not_replaced(asked):
        why = kinds.missing(each.kind, machine)
        if why is not None:
            absent.append(f"{each.kind}: {why}")
        else:
            built.append(each.built(machine))
    return BuiltSensors(tuple(built), tuple(absent))


def not_replaced(asked: Sequence[SensorOptions]) -> list[SensorOptions]:
    """Those of `SYSTEM` that none of `asked` stands for, by kind or by name."""
    taken = {each.kind for each in asked} | {each.name for each in asked}
    return [each for each in SYSTEM if each.kind not in taken]
