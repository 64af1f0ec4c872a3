"""The kinds of sensor that come with the program: what each reads, where, and within which bounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

from dooryard.sensors import parse
from dooryard.sensors.base import Range, Sensor, Unit
from dooryard.sensors.chips import HWMON, IIO, find_cpu, find_file, find_throttling
from dooryard.sensors.clock_state import clock_is_set
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.files import FileSensor, PowerOnFilter
from dooryard.sensors.machine import ClockSet, DiskRoom, MemoryRoom

Quantity = Literal["temperature", "humidity"]

_SILICON = Range(-40.0, 125.0)  # processors and boards: beyond it the silicon itself is out of bounds
_DS18B20 = Range(-55.0, 125.0)  # measuring ranges from the makers' data sheets, from memory
_SHT3X = Range(-40.0, 125.0)
_BME280 = Range(-40.0, 85.0)
_HUMIDITY = Range(0.0, 100.0)
_FLAG = Range(0.0, 1.0)
_DBM = Range(-120.0, 0.0)

MISSING: dict[str, str] = {
    "cpu": "the kernel lists no temperature of the processor",
    "low-power": "this board does not tell whether its power is low",
    "slowed-down": "this board does not tell whether it slows down",
}


@dataclass(frozen=True, slots=True)
class Machine:
    """Where sensors read: the root of the file system, and the folder whose disk matters."""

    root: Path = Path("/")
    state_folder: Path = Path("/")


def missing(kind: str, machine: Machine) -> str | None:
    """Why this board does not have what the kind reads; None: it has, or that shows in the reading."""
    return MISSING[kind] if kind in MISSING and _finder(kind, machine.root)() is None else None


def cpu(name: str, machine: Machine) -> Sensor:
    find, why = _finder("cpu", machine.root), MISSING["cpu"]
    return FileSensor(name, Unit.CELSIUS, find, parse.thousandths, _SILICON, every_s=10.0, missing=why)


def chip(name: str, machine: Machine, driver: str, device: str | None) -> Sensor:
    return _temperature(name, machine, HWMON, (driver,), device, _SILICON)


def ds18b20(name: str, machine: Machine, device: str | None) -> Sensor:
    sensor = _temperature(name, machine, HWMON, ("w1_slave_temp",), device, _DS18B20)
    return PowerOnFilter(sensor, parse.POWER_ON_C)


def sht3x(name: str, machine: Machine, device: str | None, quantity: Quantity) -> Sensor:
    if quantity == "humidity":
        return _humidity(name, machine, HWMON, ("sht3x",), device)
    return _temperature(name, machine, HWMON, ("sht3x", "sts3x"), device, _SHT3X)


def bme280(name: str, machine: Machine, device: str | None, quantity: Quantity) -> Sensor:
    if quantity == "humidity":
        return _humidity(name, machine, IIO, ("bme280",), device)
    return _temperature(name, machine, IIO, ("bme280",), device, _BME280)


def low_power(name: str, machine: Machine) -> Sensor:
    """The kernel's under-voltage alarm; where it has none, the firmware's bit.

    Which of the two is read may change while it runs: a driver comes late, or goes. So the text is taken as
    what the file is that was found last.
    """
    alarm: Path | None = None

    def find() -> Path | None:
        nonlocal alarm
        alarm = _low_voltage_alarm(machine.root)
        return alarm or find_throttling(machine.root)

    def read(text: str) -> float:
        return parse.flag(text) if alarm else parse.power_bit(text, bit=parse.PowerBit.UNDER_VOLTAGE)

    return _power(name, "low-power", read, find)


def slowed_down(name: str, machine: Machine) -> Sensor:
    read = partial(parse.power_bit, bit=parse.PowerBit.THROTTLED)
    return _power(name, "slowed-down", read, _finder("slowed-down", machine.root))


def wifi(name: str, machine: Machine, interface: str) -> Sensor:
    path = machine.root / "proc/net/wireless"
    read = partial(parse.wifi_dbm, interface=interface)
    why = f"{interface} is not connected to a Wi-Fi network"
    return FileSensor(name, Unit.DBM, lambda: path, read, _DBM, missing=why)


def disk(name: str, machine: Machine) -> Sensor:
    return DiskRoom(machine.state_folder, name=name)


def memory(name: str) -> Sensor:
    return MemoryRoom(name=name)


def clock(name: str, machine: Machine) -> Sensor:
    return ClockSet(lambda now: clock_is_set(now.wall, machine.root), name=name)


def fake(name: str, script: str, quantity: Quantity) -> Sensor:
    """Raises ValueError for a script that makes no sense."""
    unit = Unit.PERCENT if quantity == "humidity" else Unit.CELSIUS
    return FakeSensor(name, unit, script)


def _temperature(
    name: str, machine: Machine, kind: str, drivers: tuple[str, ...], device: str | None, limits: Range
) -> FileSensor:
    file, read = ("temp1_input", parse.thousandths) if kind == HWMON else ("in_temp_input", parse.iio_celsius)
    find = partial(find_file, machine.root, kind, drivers, file, device)
    return FileSensor(name, Unit.CELSIUS, find, read, limits)


def _humidity(
    name: str, machine: Machine, kind: str, drivers: tuple[str, ...], device: str | None
) -> FileSensor:
    hwmon = kind == HWMON
    file = "humidity1_input" if hwmon else "in_humidityrelative_input"
    find = partial(find_file, machine.root, kind, drivers, file, device)
    read = parse.thousandths if hwmon else parse.iio_percent
    return FileSensor(name, Unit.PERCENT, find, read, _HUMIDITY)


def _finder(kind: str, root: Path) -> Callable[[], Path | None]:
    """Where the board's own sensors are, each by the first way that there is."""
    if kind == "cpu":
        return partial(find_cpu, root)
    if kind == "low-power":
        return lambda: _low_voltage_alarm(root) or find_throttling(root)
    return partial(find_throttling, root)


def _low_voltage_alarm(root: Path) -> Path | None:
    return find_file(root, HWMON, ("rpi_volt",), "in0_lcrit_alarm", None)


def _power(name: str, kind: str, read: Callable[[str], float], find: Callable[[], Path | None]) -> Sensor:
    return FileSensor(name, Unit.YES_NO, find, read, _FLAG, every_s=10.0, missing=MISSING[kind])
