"""What every sensor promises (`dooryard.sensors.base`), for each kind, on a file system that is the kernel's.

With `pytest --hardware` (or DOORYARD_HARDWARE=1) the board's own sensors are put to the same tests as well;
what it does not have is skipped by name.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from dooryard.box.file import parse_box
from dooryard.box.kinds import SensorOptions
from dooryard.sensors.base import Sensor, Unit
from dooryard.sensors.kinds import Machine
from fakes.labs import on_path
from fakes.sensors import KINDS, asked
from fakes.sysfs_tree import whole_board
from helpers import moment

SPECS = {
    **{kind: asked(f"the {kind}", kind) for kind in KINDS if kind != "chip"},
    "chip": asked("the chip", "chip", chip="cpu_thermal"),
    "sht3x humidity": asked("the moisture", "sht3x", "humidity"),
    "bme280 humidity": asked("the moisture", "bme280", "humidity"),
}
LAB = "load, of another package"
ALWAYS_THERE = {"memory", "clock", "fake"}
"""Kinds that do not depend on anything that can be taken away."""


@dataclass(frozen=True)
class Case:
    sensor: Sensor
    root: Path


@pytest.fixture(params=["fake tree", pytest.param("board", marks=pytest.mark.board)])
def machine(request: pytest.FixtureRequest, tmp_path: Path, on_a_board: bool) -> Machine:
    if request.param == "board":
        if not on_a_board:
            pytest.skip("no board: its own sensors are NOT tried (--hardware says that there is one)")
        return Machine(Path("/"), Path("/var/tmp"))
    whole_board(tmp_path / "root")
    (tmp_path / "root/state").mkdir()
    return Machine(tmp_path / "root", tmp_path / "root/state")


def asked_for(name: str) -> SensorOptions:
    """A sensor of ours, or one of another package, which is really installed: see tests/plugins."""
    if name != LAB:
        return SPECS[name]
    with on_path():
        return parse_box('[[sensor]]\nname = "busy"\nkind = "load"\n', "box.toml").value.sensor[0]


@pytest.fixture(params=[*SPECS, LAB])
def case(request: pytest.FixtureRequest, machine: Machine) -> Case:
    sensor = asked_for(request.param).built(machine)
    if machine.root == Path("/") and sensor.read(moment(0)).gone:
        pytest.skip(f"this board has no {request.param}: {sensor.read(moment(0)).gone}")
    return Case(sensor, machine.root)


def test_a_reading_bears_its_name_unit_and_time(case: Case):
    read = case.sensor.read(moment(7))
    assert (read.sensor, read.unit, read.taken) == (case.sensor.name, case.sensor.unit, moment(7))
    assert read.gone is None
    assert isinstance(read.value, float)
    assert read.age_s(moment(10)) == 3.0


def test_a_value_can_be_shown_and_is_where_values_can_be(case: Case):
    read = case.sensor.read(moment(0))
    assert read.value is not None
    assert read.text.endswith(case.sensor.unit.value)
    assert -120.0 <= read.value <= 1e9
    if case.sensor.unit is Unit.YES_NO:
        assert read.value in (0.0, 1.0)


def test_its_pace_is_one_that_a_slow_bus_can_hold(case: Case):
    assert 1.0 <= case.sensor.every_s <= 120.0


@pytest.mark.parametrize("name", [name for name in (*SPECS, LAB) if name not in ALWAYS_THERE])
def test_what_is_taken_away_is_a_reading_with_a_reason_and_comes_back(name: str, tmp_path: Path):
    root, away = tmp_path / "root", tmp_path / "away"
    whole_board(root)
    (root / "state").mkdir()
    sensor = asked_for(name).built(Machine(root, root / "state"))
    before = sensor.read(moment(0))
    shutil.move(root, away)
    for t in (1, 2):
        read = sensor.read(moment(t))
        assert read.value is None
        assert read.gone
        assert "\n" not in read.gone
    shutil.move(away, root)
    back = sensor.read(moment(3))
    assert back.gone is None
    if back.unit is not Unit.MEGABYTES:  # room on a disk that others use as well
        assert replace(back, taken=before.taken) == before


def test_every_kind_has_its_case():
    assert {spec.kind for spec in SPECS.values()} == set(KINDS)
