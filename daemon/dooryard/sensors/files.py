"""Sensors that are one file of the kernel's.

Each is read by itself. psutil reads every chip at each call, and so starts a conversion of 750 ms on
each DS18B20 that is wired up, whether it was asked for or not.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path

from dooryard.core.records import Moment
from dooryard.sensors.base import Range, Reading, Unit, gone, reading

MOST_BYTES = 64 * 1024

_WHY = {
    errno.ENOENT: "the kernel does not list it (wiring, overlay, or driver)",
    errno.ENODEV: "the device was taken away",
    errno.EACCES: "the service's user may not read it",
    errno.EIO: "the bus gave an error (wiring or power)",
    errno.ENXIO: "no answer on the bus (wiring or power)",
    errno.EREMOTEIO: "no answer on the bus (wiring or power)",
    errno.ETIMEDOUT: "the bus timed out",
    errno.EAGAIN: "the device was busy",
    errno.EBUSY: "the device was busy",
    errno.ENODATA: "the device has no value ready",
    errno.EINVAL: "the device has no value ready",
}


class FileSensor:
    """A file to find, and how to read its text.

    Parameters
    ----------
    find : where the file is now, or None; asked again after each failure, because a device that comes
        back may get another number
    parse : text to value; raises `ValueError`, `IndexError` or `LookupError` for what it cannot read
    limits : what can be true
    missing : why it is gone when `find` finds nothing
    """

    def __init__(
        self,
        name: str,
        unit: Unit,
        find: Callable[[], Path | None],
        parse: Callable[[str], float],
        limits: Range,
        *,
        every_s: float = 30.0,
        missing: str = _WHY[errno.ENOENT],
    ) -> None:
        self.name = name
        self.unit = unit
        self.every_s = every_s
        self._find, self._parse, self._limits = find, parse, limits
        self._missing = missing
        self._path: Path | None = None

    def read(self, now: Moment) -> Reading:
        path = self._path or self._find()
        if path is None:
            return gone(self, now, self._missing)
        self._path = None  # unless this read goes well
        try:
            with path.open("rb", buffering=0) as file:
                text = file.read(MOST_BYTES).decode("ascii", "replace")
            value = self._parse(text)
        except OSError as error:
            return gone(self, now, _WHY.get(error.errno or 0, error.strerror or str(error)))
        except LookupError:
            return gone(self, now, self._missing)
        except ValueError:
            return gone(
                self, now, f"it gave {text[:40].strip()!r}, which is not a value" if text else "no value"
            )
        result = reading(self, now, value, self._limits)
        if result.gone is None:
            self._path = path
        return result


class PowerOnFilter:
    """A DS18B20, without the value that stands in it before its first conversion.

    85 °C is what it says when a conversion failed for want of power; it is believed only when the last
    good value was near it (within 5 °C), because a box in the sun gets there by degrees.
    """

    def __init__(self, sensor: FileSensor, power_on_c: float) -> None:
        self.name, self.unit, self.every_s = sensor.name, sensor.unit, sensor.every_s
        self._sensor = sensor
        self._power_on_c = power_on_c
        self._last_c: float | None = None

    def read(self, now: Moment) -> Reading:
        result = self._sensor.read(now)
        if result.value is None:
            return result
        near = self._last_c is not None and abs(self._last_c - self._power_on_c) <= 5.0
        if result.value == self._power_on_c and not near:
            return gone(self, now, "it says 85.0 °C, its value before it has measured (power or wiring)")
        self._last_c = result.value
        return result
