"""Kinds that other packages bring, really installed: used as ours are, and named where they fail."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from dooryard.box.file import BoxFile, parse_box
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError
from dooryard.sensors.kinds import Machine
from fakes.labs import on_path

LAB = """
state_folder = "state"
[camera]
kind = "stripes"
frames = 3
[[sensor]]
name = "busy"
kind = "load"
[[sink]]
name = "paper"
kind = "notebook"
file = "alerts.txt"
"""


@pytest.fixture(scope="module")
def lab() -> Iterator[Path]:
    with on_path() as lib:
        yield lib


def refused(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        parse_box(text, "box.toml")
    return caught.value.what


def test_its_keys_are_read_and_it_is_built(lab: Path, tmp_path: Path) -> None:
    parsed = parse_box(LAB, "box.toml")
    assert isinstance(parsed.value, BoxFile)
    assert parsed.warnings == ()
    camera = parsed.value.camera.build(FakeClock(), tmp_path)
    camera.open()
    assert camera.read(1.0).luma.shape == (240, 320)
    assert parsed.value.sensor[0].built(Machine()).name == "busy"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("frames = 3", "frame = 3", 'box.toml:5: camera.frame: unknown key (did you mean "frames"?)'),
        ("frames = 3", "frames = 0", "box.toml:5: camera.frames: must be at least 1"),
        ('file = "alerts.txt"', "", "box.toml:9: sink[1].file: missing: add it (the file)"),
        (
            "frames = 3",
            'script = "f"',
            'box.toml:5: camera.script: is only for a camera of kind "fake", not "stripes"',
        ),
    ],
)
def test_its_keys_are_checked_as_ours_are(lab: Path, old: str, new: str, says: str) -> None:
    assert refused(LAB.replace(old, new)).startswith(says)


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("nowhere", "(broken_lab_nowhere:Table) cannot be loaded: ModuleNotFoundError: No module named"),
        ("raises", "(broken_lab_raises:Table) cannot be loaded: RuntimeError: not on this machine"),
        ("thing", "(broken_lab:THING) is no CameraOptions"),
        ("misnamed", '(broken_lab:Misnamed) must have the key kind: Literal["misnamed"]'),
        ("idle", "(broken_lab:Idle) has no method build"),
    ],
)
def test_a_broken_one_is_named_with_its_package_and_what_to_do(lab: Path, kind: str, says: str) -> None:
    (line,) = refused(f'[camera]\nkind = "{kind}"\n').splitlines()
    assert line.startswith(f'box.toml:2: camera.kind: the kind "{kind}" of the package broken-lab 0.3 ')
    assert says in line
    assert "broken-lab 0.3, or take this kind out" in line or "tell the makers of broken-lab 0.3" in line


def test_a_broken_one_that_nobody_asked_for_costs_nothing(lab: Path) -> None:
    assert parse_box(LAB, "box.toml").warnings == ()
    assert not [name for name in sys.modules if name == "broken_lab_raises"]


def test_the_name_of_a_built_in_kind_is_not_taken(lab: Path) -> None:
    (_, warning) = parse_box('[camera]\nkind = "picamera"\n', "box.toml").warnings
    assert warning.startswith('box.toml:2: camera.kind: the kind "picamera" of the package broken-lab 0.3 ')
    assert "the built-in one is used" in warning


def dooryard(folder: Path, lab: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dooryard", *words],
        env={**os.environ, "PYTHONPATH": str(lab)}, cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip


def box_file(folder: Path, text: str) -> None:
    (folder / "box.toml").write_text(text, encoding="utf-8")
    (folder / "policy.toml").write_text(
        '[place]\nname = "Alder Row"\n[[rule]]\nname = "r"\nvisitor = "anything"\n', encoding="utf-8"
    )


def test_the_box_runs_with_them(lab: Path, tmp_path: Path) -> None:
    box_file(tmp_path, LAB)
    checked = dooryard(tmp_path, lab, "check", "box.toml", "policy.toml")
    assert checked.returncode == 0, checked.stdout
    ran = dooryard(tmp_path, lab, "run", "--box", "box.toml", "--policy", "policy.toml")
    assert ran.returncode == 0, ran.stderr
    assert (tmp_path / "state" / "dooryard.sqlite3").exists()


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ('[camera]\nkind = "faulty"\n', "ZeroDivisionError: one by none"),
        ('[camera]\nkind = "stripes"\n[[sensor]]\nname = "a"\nkind = "faulty"\n', "KeyError: 'pin'"),
        ('[camera]\nkind = "stripes"\n[[sink]]\nname = "a"\nkind = "faulty"\n', "RuntimeError: no"),
    ],
)
def test_one_that_fails_while_it_is_built_is_named(lab: Path, tmp_path: Path, text: str, error: str) -> None:
    box_file(tmp_path, text)
    ran = dooryard(tmp_path, lab, "run", "--box", "box.toml", "--policy", "policy.toml")
    assert ran.returncode == 3
    assert 'the kind "faulty" of the package broken-lab 0.3 ' in ran.stderr
    assert f"failed: {error}" in ran.stderr
    assert "Traceback" not in ran.stderr
