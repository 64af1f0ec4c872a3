"""Sensors that are a file: what goes wrong with it, told in words."""

from __future__ import annotations

import errno
import os
from pathlib import Path, PosixPath

import pytest

from dooryard.sensors import parse
from dooryard.sensors.base import Range, Unit
from dooryard.sensors.files import FileSensor, PowerOnFilter
from fakes.sysfs_tree import SysfsTree
from helpers import moment


def sensor(path: Path | None) -> FileSensor:
    return FileSensor("enclosure", Unit.CELSIUS, lambda: path, parse.thousandths, Range(-55.0, 125.0))


def test_a_value(tmp_path: Path):
    read = sensor(SysfsTree(tmp_path).write("t", "31187\n")).read(moment(5))
    assert (read.value, read.gone, read.taken, read.text) == (31.187, None, moment(5), "31.2 °C")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no value"),
        ("warm\n", "it gave 'warm', which is not a value"),
        ("125001\n", "it says 125.001 °C, which is outside -55 to 125"),
        ("-55001\n", "it says -55.001 °C, which is outside -55 to 125"),
        ("\x00\x00", "it gave '\\x00\\x00', which is not a value"),
    ],
)
def test_what_is_no_value(tmp_path: Path, text: str, why: str):
    read = sensor(SysfsTree(tmp_path).write("t", text)).read(moment(0))
    assert (read.value, read.gone) == (None, why)


def test_not_a_number_is_refused():
    assert Range(0.0, 1.0).refuses(float("nan"), Unit.PERCENT)


def test_it_is_not_there(tmp_path: Path):
    why = "the kernel does not list it (wiring, overlay, or driver)"
    assert sensor(None).read(moment(0)).gone == why
    assert sensor(tmp_path / "t").read(moment(0)).gone == why


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.EIO, "the bus gave an error (wiring or power)"),
        (errno.EREMOTEIO, "no answer on the bus (wiring or power)"),
        (errno.ETIMEDOUT, "the bus timed out"),
        (errno.EACCES, "the service's user may not read it"),
        (errno.EMFILE, os.strerror(errno.EMFILE)),
    ],
)
def test_errors_of_the_kernel_are_told_in_words(number: int, why: str):
    class Failing(PosixPath):  # a path whose opening fails as the kernel would make it fail
        def open(self, *args, **kwargs):
            raise OSError(number, os.strerror(number))

    assert sensor(Failing("/t")).read(moment(0)).gone == why


def test_after_a_failure_it_is_sought_again(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    places = [tree.write("old", "20000\n"), tree.write("new", "21000\n")]
    asked: list[Path] = []

    def find() -> Path:
        asked.append(places[0])
        return places[0]

    found = FileSensor("a", Unit.CELSIUS, find, parse.thousandths, Range(-55.0, 125.0))
    assert [found.read(moment(t)).value for t in range(3)] == [20.0, 20.0, 20.0]
    assert len(asked) == 1  # the folders are listed once, not at each reading
    places.pop(0).unlink()
    assert found.read(moment(3)).value is None
    assert found.read(moment(4)).value == 21.0


def test_85_degrees_are_believed_only_near_the_last_value(tmp_path: Path):
    """A DS18B20 says +85 °C before its first conversion (its data sheet: power-on reset value)."""
    tree = SysfsTree(tmp_path)
    path = tree.write("t", "85000\n")
    filtered = PowerOnFilter(sensor(path), parse.POWER_ON_C)
    assert (
        filtered.read(moment(0)).gone == "it says 85.0 °C, its value before it has measured (power or wiring)"
    )
    for text, value in (
        ("24000", 24.0),
        ("85000", None),
        ("84000", 84.0),
        ("85000", 85.0),
        ("85063", 85.063),
    ):
        path.write_text(text)
        assert filtered.read(moment(1)).value == value
