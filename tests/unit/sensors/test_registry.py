"""From specs to sensors, on a file system laid out as the kernel documents it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from dooryard.core.errors import ConfigError
from dooryard.sensors.base import Reading
from dooryard.sensors.registry import Machine, build, build_one
from dooryard.sensors.spec import KINDS, SensorSpec
from fakes.sysfs_tree import ONE_WIRE, SysfsTree, whole_board
from helpers import moment


def read(root: Path, spec: SensorSpec) -> Reading:
    return build_one(spec, Machine(root, root)).read(moment(0))


@pytest.mark.parametrize(
    ("spec", "text"),
    [
        (SensorSpec("cpu", "cpu"), "48.3 °C"),
        (SensorSpec("enclosure", "ds18b20"), "31.2 °C"),
        (SensorSpec("enclosure", "ds18b20", device=ONE_WIRE), "31.2 °C"),
        (SensorSpec("enclosure", "sht3x"), "31.5 °C"),
        (SensorSpec("moisture", "sht3x", "humidity"), "63.0 %"),
        (SensorSpec("enclosure", "sht3x", device="1-0044"), "31.5 °C"),
        (SensorSpec("enclosure", "bme280"), "24.5 °C"),
        (SensorSpec("moisture", "bme280", "humidity"), "41.1 %"),
        (SensorSpec("board", "chip", chip="cpu_thermal"), "48.3 °C"),
        (SensorSpec("power", "low-power"), "no"),
        (SensorSpec("slow", "slowed-down"), "no"),
        (SensorSpec("signal", "wifi"), "-56 dBm"),
        (SensorSpec("enclosure", "fake", script="0:40"), "40.0 °C"),
        (SensorSpec("moisture", "fake", "humidity", script="0:40"), "40.0 %"),
    ],
)
def test_every_kind_reads_its_file(tmp_path: Path, spec: SensorSpec, text: str):
    whole_board(tmp_path)
    assert read(tmp_path, spec).text == text


def test_milli_percent_is_understood_as_well(tmp_path: Path):
    SysfsTree(tmp_path).bme280(humidity="41074")
    assert read(tmp_path, SensorSpec("moisture", "bme280", "humidity")).text == "41.1 %"


def test_one_of_several_alike_is_picked_by_its_device(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    tree.ds18b20(20_000, "28-00000000aaaa")
    tree.ds18b20(30_000, "28-00000000bbbb")
    assert read(tmp_path, SensorSpec("a", "ds18b20", device="28-00000000bbbb")).value == 30.0
    assert read(tmp_path, SensorSpec("a", "ds18b20", device="28-00000000cccc")).value is None


def test_numbers_may_change_from_start_to_start(tmp_path: Path):
    first, second = tmp_path / "1", tmp_path / "2"
    tree = SysfsTree(first)
    tree.cpu()
    tree.ds18b20()
    tree = SysfsTree(second)
    tree.ds18b20()
    tree.cpu()
    spec = SensorSpec("enclosure", "ds18b20")
    assert read(first, spec) == read(second, spec)


def test_the_tenth_chip_comes_after_the_ninth(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    for number in range(11):
        tree.ds18b20(20_000 + number * 1000, f"28-{number:012x}")
    assert read(tmp_path, SensorSpec("a", "ds18b20")).value == 20.0


def test_a_processor_without_a_chip_is_found_by_its_thermal_zone(tmp_path: Path):
    tree = SysfsTree(tmp_path)
    tree.zone("gpu-thermal", "60000\n")
    tree.zone("cpu-thermal", "51540\n")
    assert read(tmp_path, SensorSpec("cpu", "cpu")).value == 51.54


def test_low_power_by_the_alarm_and_where_there_is_none_by_the_firmwares_word(tmp_path: Path):
    with_alarm, with_word = SysfsTree(tmp_path / "1"), SysfsTree(tmp_path / "2")
    with_alarm.low_voltage(1)
    with_word.throttling(0x50005)
    for tree in (with_alarm, with_word):
        assert read(tree.root, SensorSpec("power", "low-power")).text == "yes"
    assert read(with_word.root, SensorSpec("slow", "slowed-down")).text == "yes"


def test_what_a_box_has_without_being_told(tmp_path: Path):
    whole_board(tmp_path)
    built = build([SensorSpec("enclosure", "ds18b20")], Machine(tmp_path, tmp_path))
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
    built = build([SensorSpec("processor", "cpu", every_s=5.0)], Machine(tmp_path, tmp_path))
    assert [sensor.name for sensor in built.sensors] == ["processor", "disk", "memory", "clock"]
    assert built.sensors[0].every_s == 5.0


def test_every_mistake_is_told_at_once(tmp_path: Path):
    specs = [
        SensorSpec("a", "chip"),
        SensorSpec("a", "fake", script="now:hot"),
        SensorSpec("b", "barometer"),
        SensorSpec("c", "cpu", every_s=0.1),
    ]
    with pytest.raises(ConfigError) as caught:
        build(specs, Machine(tmp_path, tmp_path))
    assert caught.value.what.split("\n") == [
        "two sensors are called 'a'",
        "sensor 'a': kind \"chip\" needs the key chip: the name that the driver gives it",
        "sensor 'a': 'now:hot' is not SECONDS:VALUE, as 0:24.0 is, or 0:gone",
        f"sensor 'b': there is no kind 'barometer'; choose one of {', '.join(KINDS)}",
        "sensor 'c': every_s must be at least 1",
    ]


def test_a_state_folder_that_went_away_is_a_reading_and_no_error(tmp_path: Path):
    folder = tmp_path / "state"
    folder.mkdir()
    (disk,) = build([SensorSpec("disk", "disk")], Machine(tmp_path, folder)).sensors[:1]
    assert disk.read(moment(0)).value is not None
    shutil.rmtree(folder)
    assert disk.read(moment(0)).gone == f"{folder}: no such file or directory"
