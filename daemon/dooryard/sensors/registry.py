"""From a name in the box file to a sensor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from dooryard.core.errors import ConfigError
from dooryard.sensors import parse
from dooryard.sensors.base import Range, Sensor, Unit
from dooryard.sensors.chips import HWMON, IIO, find_cpu, find_file, find_throttling
from dooryard.sensors.clock_state import clock_is_set
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.files import FileSensor, PowerOnFilter
from dooryard.sensors.machine import ClockSet, DiskRoom, MemoryRoom
from dooryard.sensors.spec import KINDS, Kind, SensorSpec

SYSTEM: tuple[Kind, ...] = ("cpu", "low-power", "slowed-down", "disk", "memory", "clock")
"""Those that every box has without being told, as far as the board has them."""
FASTEST_S = 1.0

_SILICON = Range(-40.0, 125.0)  # processors and boards: beyond it the silicon itself is out of bounds
_DS18B20 = Range(-55.0, 125.0)  # measuring ranges from the makers' data sheets, from memory
_SHT3X = Range(-40.0, 125.0)
_BME280 = Range(-40.0, 85.0)
_HUMIDITY = Range(0.0, 100.0)
_FLAG = Range(0.0, 1.0)
_DBM = Range(-120.0, 0.0)

_MISSING: dict[str, str] = {
    "cpu": "the kernel lists no temperature of the processor",
    "low-power": "this board does not tell whether its power is low",
    "slowed-down": "this board does not tell whether it slows down",
}


@dataclass(frozen=True, slots=True)
class Machine:
    """Where sensors read: the root of the file system, and the folder whose disk matters."""

    root: Path = Path("/")
    state_folder: Path = Path("/")


@dataclass(frozen=True, slots=True)
class BuiltSensors:
    """The sensors, and which of `SYSTEM` this board does not have, each with why: to be said at start."""

    sensors: tuple[Sensor, ...]
    absent: tuple[str, ...]


def build(specs: Sequence[SensorSpec], machine: Machine) -> BuiltSensors:
    """The sensors of `specs`, and those of `SYSTEM` that the board has and no spec replaces.

    What a spec asks for is built whether it is there or not: its first reading tells. Raises ConfigError
    with all that makes no sense.
    """
    names = [spec.name for spec in specs]
    problems = [f"two sensors are called {name!r}" for name in sorted(set(names)) if names.count(name) > 1]
    built: list[Sensor] = []
    for spec in specs:
        try:
            built.append(build_one(spec, machine))
        except ValueError as error:
            problems.append(f"sensor {spec.name!r}: {error}")
    if problems:
        raise ConfigError("\n".join(problems), "mend the [[sensor]] tables of the box file")
    absent = []
    for kind in SYSTEM:
        if kind in names or any(spec.kind == kind for spec in specs):
            continue
        if kind in _MISSING and _finder(kind, machine.root)() is None:
            absent.append(f"{kind}: {_MISSING[kind]}")
        else:
            built.append(build_one(SensorSpec(kind, kind), machine))
    return BuiltSensors(tuple(built), tuple(absent))


def build_one(spec: SensorSpec, machine: Machine) -> Sensor:
    """The sensor of `spec`. Raises ValueError for what makes no sense."""
    maker = _MAKERS.get(spec.kind)
    if maker is None:
        raise ValueError(f"there is no kind {spec.kind!r}; choose one of {', '.join(KINDS)}")
    if spec.every_s is not None and not spec.every_s >= FASTEST_S:
        raise ValueError(f"every_s must be at least {FASTEST_S:g}")
    sensor = maker(spec, machine)
    if spec.every_s is not None:
        sensor.every_s = spec.every_s
    return sensor


def _temperature(
    spec: SensorSpec, machine: Machine, kind: str, names: tuple[str, ...], limits: Range
) -> FileSensor:
    file, read = ("temp1_input", parse.thousandths) if kind == HWMON else ("in_temp_input", parse.iio_celsius)
    find = partial(find_file, machine.root, kind, names, file, spec.device)
    return FileSensor(spec.name, Unit.CELSIUS, find, read, limits)


def _humidity(spec: SensorSpec, machine: Machine, kind: str, names: tuple[str, ...]) -> FileSensor:
    hwmon = kind == HWMON
    file = "humidity1_input" if hwmon else "in_humidityrelative_input"
    find = partial(find_file, machine.root, kind, names, file, spec.device)
    read = parse.thousandths if hwmon else parse.iio_percent
    return FileSensor(spec.name, Unit.PERCENT, find, read, _HUMIDITY)


def _finder(kind: str, root: Path) -> Callable[[], Path | None]:
    """Where the board's own sensors are, each by the first way that there is."""
    if kind == "cpu":
        return partial(find_cpu, root)
    if kind == "low-power":
        return lambda: _low_voltage_alarm(root) or find_throttling(root)
    return partial(find_throttling, root)


def _low_voltage_alarm(root: Path) -> Path | None:
    return find_file(root, HWMON, ("rpi_volt",), "in0_lcrit_alarm", None)


def _cpu(spec: SensorSpec, machine: Machine) -> Sensor:
    find, missing = _finder("cpu", machine.root), _MISSING["cpu"]
    return FileSensor(
        spec.name, Unit.CELSIUS, find, parse.thousandths, _SILICON, every_s=10.0, missing=missing
    )


def _chip(spec: SensorSpec, machine: Machine) -> Sensor:
    if not spec.chip:
        raise ValueError('kind "chip" needs the key chip: the name that the driver gives it')
    return _temperature(spec, machine, HWMON, (spec.chip,), _SILICON)


def _ds18b20(spec: SensorSpec, machine: Machine) -> Sensor:
    sensor = _temperature(spec, machine, HWMON, ("w1_slave_temp",), _DS18B20)
    return PowerOnFilter(sensor, parse.POWER_ON_C)


def _sht3x(spec: SensorSpec, machine: Machine) -> Sensor:
    if spec.quantity == "humidity":
        return _humidity(spec, machine, HWMON, ("sht3x",))
    return _temperature(spec, machine, HWMON, ("sht3x", "sts3x"), _SHT3X)


def _bme280(spec: SensorSpec, machine: Machine) -> Sensor:
    if spec.quantity == "humidity":
        return _humidity(spec, machine, IIO, ("bme280",))
    return _temperature(spec, machine, IIO, ("bme280",), _BME280)


def _low_power(spec: SensorSpec, machine: Machine) -> Sensor:
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

    return _power(spec, machine, "low-power", read, find)


def _slowed_down(spec: SensorSpec, machine: Machine) -> Sensor:
    return _power(spec, machine, "slowed-down", partial(parse.power_bit, bit=parse.PowerBit.THROTTLED))


def _power(
    spec: SensorSpec,
    machine: Machine,
    kind: str,
    read: Callable[[str], float],
    find: Callable[[], Path | None] | None = None,
) -> Sensor:
    where, missing = find or _finder(kind, machine.root), _MISSING[kind]
    return FileSensor(spec.name, Unit.YES_NO, where, read, _FLAG, every_s=10.0, missing=missing)


def _wifi(spec: SensorSpec, machine: Machine) -> Sensor:
    path = machine.root / "proc/net/wireless"
    return FileSensor(
        spec.name,
        Unit.DBM,
        lambda: path,
        partial(parse.wifi_dbm, interface=spec.interface),
        _DBM,
        missing=f"{spec.interface} is not connected to a Wi-Fi network",
    )


def _disk(spec: SensorSpec, machine: Machine) -> Sensor:
    return DiskRoom(machine.state_folder, name=spec.name)


def _memory(spec: SensorSpec, machine: Machine) -> Sensor:
    del machine
    return MemoryRoom(name=spec.name)


def _clock(spec: SensorSpec, machine: Machine) -> Sensor:
    return ClockSet(lambda now: clock_is_set(now.wall, machine.root), name=spec.name)


def _fake(spec: SensorSpec, machine: Machine) -> Sensor:
    del machine
    unit = Unit.PERCENT if spec.quantity == "humidity" else Unit.CELSIUS
    return FakeSensor(spec.name, unit, spec.script)


_MAKERS: dict[str, Callable[[SensorSpec, Machine], Sensor]] = {
    "cpu": _cpu,
    "chip": _chip,
    "ds18b20": _ds18b20,
    "sht3x": _sht3x,
    "bme280": _bme280,
    "low-power": _low_power,
    "slowed-down": _slowed_down,
    "wifi": _wifi,
    "disk": _disk,
    "memory": _memory,
    "clock": _clock,
    "fake": _fake,
}
