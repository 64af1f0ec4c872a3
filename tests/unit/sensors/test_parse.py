"""The kernel's texts, against the examples in its own documents."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.sensors import parse
from dooryard.sensors.parse import PowerBit


def test_the_kernels_own_example_of_a_temperature():
    """Documentation/hwmon/sht3x.rst: 31.5 degrees celsius is 31500."""
    assert parse.thousandths("31500\n") == 31.5
    assert parse.thousandths("-5063\n") == -5.063


def test_bme280_temperature_may_have_a_fraction():
    assert parse.iio_celsius("24540\n") == 24.54
    assert parse.iio_celsius("24540.000000\n") == 24.54


def test_both_scales_of_humidity():
    """m% by Documentation/ABI/testing/sysfs-bus-iio; plain % as drivers have printed it."""
    assert parse.iio_percent("41.074000000\n") == pytest.approx(41.074)
    assert parse.iio_percent("41074\n") == pytest.approx(41.074)
    assert parse.iio_percent("100.000000000\n") == 100.0
    assert parse.iio_percent("100000\n") == 100.0


@given(st.floats(min_value=0.2, max_value=100.0))
def test_no_believable_humidity_is_misread_on_either_scale(percent: float):
    assert parse.iio_percent(repr(percent)) == pytest.approx(percent)
    assert parse.iio_percent(repr(percent * 1000.0)) == pytest.approx(percent)


def test_alarm_files_hold_nought_or_one():
    """Documentation/hwmon/sysfs-interface.rst: alarms are 0 or 1."""
    assert parse.flag("0\n") == 0.0
    assert parse.flag("1\n") == 1.0
    with pytest.raises(ValueError, match="neither"):
        parse.flag("2\n")


@pytest.mark.parametrize(
    ("word", "under", "capped", "slowed", "soft"),
    [
        ("0\n", 0, 0, 0, 0),
        ("1\n", 1, 0, 0, 0),
        ("50005\n", 1, 0, 1, 0),  # both, at present and before
        ("0x50005", 1, 0, 1, 0),
        ("50000\n", 0, 0, 0, 0),  # only before: not now
        ("e0008\n", 0, 0, 0, 1),
        ("2\n", 0, 1, 0, 0),
    ],
)
def test_the_throttling_word(word: str, under: int, capped: int, slowed: int, soft: int):
    """Bits 0 to 3 as the vendor documents them; +16 "has occurred"."""
    bits = [parse.power_bit(word, bit) for bit in PowerBit]
    assert bits == [under, capped, slowed, soft]


WIRELESS = (
    "Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE\n"
    " face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22\n"
    " wlan0: 0000   54.  -56.  -256        0      0      0      0      0        0\n"
    " wlan1: 0000   31   -79   -256        0      0      0      0      0        0\n"
)


def test_wifi_level():
    assert parse.wifi_dbm(WIRELESS, "wlan0") == -56.0
    assert parse.wifi_dbm(WIRELESS, "wlan1") == -79.0
    with pytest.raises(LookupError):
        parse.wifi_dbm(WIRELESS, "wlan2")
    with pytest.raises(LookupError):
        parse.wifi_dbm("", "wlan0")


@given(st.text(max_size=40))
def test_rubbish_raises_only_what_is_promised(text: str):
    for read in (parse.thousandths, parse.iio_celsius, parse.iio_percent, parse.flag):
        with suppress(ValueError):
            read(text)
    with suppress(ValueError):
        parse.power_bit(text, PowerBit.THROTTLED)
    with suppress(ValueError, LookupError):
        parse.wifi_dbm(f"\n\nwlan0:{text}", "wlan0")
