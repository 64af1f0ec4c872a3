"""From specs to sensors, on a file system laid out as the kernel documents it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from dooryard.box.kinds import SensorOptions
from dooryard.box.sensors import build
from dooryard.core.errors import ConfigError
from dooryard.sensors.base import Reading
from dooryard.sensors.kinds import Machine
from fakes.sensors import asked
from fakes.sysfs_tree import ONE_WIRE, SysfsTree, whole_board
from helpers import moment


def read(root: Path, spec: SensorOptions) -> Reading:
    return spec.built(Machine(root, root)).read(moment(0))


@pytest.mark.parametrize(
    ("spec", "text"),
    [
        (asked("cpu", "cpu"), "48.3 °C"),
        (asked("enclosure", "ds18b20"), "31.2 °C"),
        (asked("enclosure", "ds18b20", device=ONE_WIRE), "31.2 °C"),
        (asked("enclosure", "sht3x"), "31.5 °C"),
        (asked("moisture", "sht3x", "humidity"), "63.0 %"),
        (asked("enclosure", "sht3x", device="1-0044"), "31.5 °C"),
        (asked("enclosure", "bme280"), "24.5 °C"),
        (asked("moisture", "bme280", "humidity"), "41.1 %"),
        (asked("board", "chip", chip="cpu_thermal"), "48.3 °C"),
        (asked("power", "low-power"), "no"),
        (asked("slow", "slowed-down"), "no"),
        (asked("signal", "wifi"), "-56 dBm"),
        (asked("enclosure", "fake", script="0:40"), "40.0 °C"),
        (asked("moisture", "fake", "humidity", script="0:40"), "40.0 %"),
    ],
)
def test_every_kind_reads_its_file(tmp_path: Path, spec: SensorOptions, text: str):
    whole_board(tmp_path)
    assert read(tmp_path, spec).text == text


def test_milli_percent_is_understood_as_well(tmp_path: Path):
    SysfsTree(tmp_path).bme280(humidity="41074")
    assert read(tmp_path, asked("moisture", "bme280", "humidity")).text == "41.1 %"


def test_one_of_several_alike_is_picked_by_its_device(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    tree.ds18b20(20_000, "28-00000000aaaa")
    tree.ds18b20(30_000, "28-00000000bbbb")
    assert read(tmp_path, asked("a", "ds18b20", device="28-00000000bbbb")).value == 30.0
    assert read(tmp_path, asked("a", "ds18b20", device="28-00000000cccc")).value is None


def test_numbers_may_change_from_start_to_start(tmp_path: Path):
    first, second = tmp_path / "1", tmp_path / "2"
    tree = SysfsTree(first)
    tree.cpu()
    tree.ds18b20()
    tree = SysfsTree(second)
    tree.ds18b20()
    tree.cpu()
    spec = asked("enclosure", "ds18b20")
    assert read(first, spec) == read(second, spec)


def test_the_tenth_chip_comes_after_the_ninth(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    for number in range(11):
        tree.ds18b20(20_000 + number * 1000, f"28-{number:012x}")
    assert read(tmp_path, asked("a", "ds18b20")).value == 20.0


def test_a_processor_without_a_chip_is_found_by_its_thermal_zone(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    tree.zone("gpu-thermal", "60000\n")
    tree.zone("cpu-thermal", "51540\n")
    assert read(tmp_path, asked("cpu", "cpu")).value == 51.54


def test_low_power_by_the_alarm_and_where_there_is_none_by_the_firmwares_word(tmp_path: Path):
    with_alarm, with_word = SysfsTree(tmp_path / "1"), SysfsTree(tmp_path / "2")
    with_alarm.low_voltage(1)
    with_word.throttling(0x50005)
    for tree in (with_alarm, with_word):
        assert read(tree.root, asked("power", "low-power")).text == "yes"
    assert read(with_word.root, asked("slow", "slowed-down")).text == "yes"


def test_what_a_box_has_without_being_told(tmp_path: Path):
    whole_board(tmp_path)
    built = build([asked("enclosure", "ds18b20")], Machine(tmp_path, tmp_path))
    names = [sensor.name for sensor in built.sensors]
    assert names == ["enclosure", "cpu", "low-power", "slowed-down", "disk", "memory", "clock"]
    assert built.absent == ()
    assert [sensor.read(moment(0)).gone for sensor in built.sensors] == [None] * 7


def test_what_the_board_does_not_have_is_listed_and_not_told_as_gone_for_ever(tmp_path: Path):
    built = build([], Machine(tmp_path, tmp_path))
    assert [sensor.name for sensor in built.sensors] == ["disk", "memory", "clock"]
    assert built.absent == (
        "cpu: the kernel lists no temperature of the processor",
        "low-power: this board does not tell whether its power is low",
        "slowed-down: this board does not tell whether it slows down",
    )


def test_one_of_ones_own_takes_the_place_of_the_built_in(tmp_path: Path):
    built = build([asked("processor", "cpu", every_s=5.0)], Machine(tmp_path, tmp_path))
    assert [sensor.name for sensor in built.sensors] == ["processor", "disk", "memory", "clock"]
    assert built.sensors[0].every_s == 5.0


def test_every_mistake_is_told_at_once(tmp_path: Path):
    specs = [
        asked("a", "cpu"),
        asked("a", "fake", script="now:hot"),
        asked("b", "fake", script=":"),
    ]
    with pytest.raises(ConfigError) as caught:
        build(specs, Machine(tmp_path, tmp_path))
    assert caught.value.what.split("\n") == [
        "two sensors are called 'a'",
        "sensor 'a': 'now:hot' is not SECONDS:VALUE, as 0:24.0 is, or 0:gone",
        "sensor 'b': ':' is not SECONDS:VALUE, as 0:24.0 is, or 0:gone",
    ]


def test_a_state_folder_that_went_away_is_a_reading_and_no_error(tmp_path: Path):
    folder = tmp_path / "state"
    folder.mkdir()
    (disk,) = build([asked("disk", "disk")], Machine(tmp_path, folder)).sensors[:1]
    assert disk.read(moment(0)).value is not None
    shutil.rmtree(folder)
    assert disk.read(moment(0)).gone == f"{folder}: no such file or directory"
