"""From the kernel's text to numbers. Pure. Each function raises `ValueError` for text that is not its own.

Sources: Linux kernel, Documentation/hwmon/sysfs-interface.rst (temperatures in m°C, humidity in m%),
Documentation/ABI/testing/sysfs-bus-iio (in_temp_input in m°C, in_humidityrelative_input in m%),
Documentation/hwmon/raspberrypi-hwmon.rst (in0_lcrit_alarm: under-voltage). The firmware's throttling
bits are its vendor's documentation: 0 under-voltage, 1 frequency capped, 2 throttled, 3 soft
temperature limit; the same plus 16: has happened since the start.
"""

from __future__ import annotations

from enum import IntEnum

POWER_ON_C = 85.0
"""What a DS18B20's temperature register holds until the first conversion is done (its data sheet)."""


class PowerBit(IntEnum):
    """Bits of the firmware's throttling word."""

    UNDER_VOLTAGE = 0
    FREQUENCY_CAPPED = 1
    THROTTLED = 2
    SOFT_LIMIT = 3


def thousandths(text: str) -> float:
    """A whole number of thousandths, as hwmon gives temperatures and humidity."""
    return int(text) / 1000.0


def iio_celsius(text: str) -> float:
    """An iio temperature in m°C; some drivers write a decimal fraction."""
    return float(text) / 1000.0


def iio_percent(text: str) -> float:
    """An iio relative humidity, in %.

    The kernel's document says m%; some drivers, the one for the BME280 among them, have given plain %.
    No air has less than 0.1 %, so what is 100 or less is %, and anything greater m%.
    """
    value = float(text)
    return value if abs(value) <= 100.0 else value / 1000.0


def flag(text: str) -> float:
    """An alarm file: 1.0 for "1", 0.0 for "0"."""
    number = int(text)
    if number not in (0, 1):
        raise ValueError(f"{number} is neither 0 nor 1")
    return float(number)


def power_bit(text: str, bit: PowerBit) -> float:
    """1.0 when `bit` of the firmware's throttling word holds at present. The word is hexadecimal."""
    return float(int(text, 16) >> bit & 1)


def wifi_dbm(text: str, interface: str) -> float:
    """The signal level of `interface` in the text of /proc/net/wireless.

    Two lines of headings, then one for each interface: name, status, link quality, level, noise. Raises
    `LookupError` when the interface has no line: it is down, or it is no Wi-Fi interface.
    """
    for line in text.splitlines()[2:]:
        name, _, rest = line.partition(":")
        if name.strip() == interface:
            return float(rest.split()[2].rstrip("."))
    raise LookupError(interface)
