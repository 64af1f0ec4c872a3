"""A box needs no third-party animals: without their folder all works but the simulated garden."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import daemon_runs
import dooryard
from dooryard.core.errors import CameraError

pytestmark = pytest.mark.process
MEMORY = '[[sink]]\nname = "phone"\nkind = "memory"\n'


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """A copy of the package without the folder."""
    folder = tmp_path_factory.mktemp("installed")
    package = Path(dooryard.__file__).parent
    shutil.copytree(package, folder / "dooryard", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.rmtree(folder / "dooryard/camera/garden/media")
    return folder


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A box file that watches a recording with animals in it, painted by the whole package."""
    daemon_runs.write_files(tmp_path, daemon_runs.paint(tmp_path / "recording"), MEMORY)
    (tmp_path / "state").mkdir()
    return tmp_path


def run(installed: Path, home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dooryard", *words],
        cwd=home,
        env=os.environ | {"PYTHONPATH": str(installed)},
        capture_output=True,
        text=True,
        timeout=400,
        check=False,
    )


def test_it_is_the_copy_that_runs(installed, home):
    program = [sys.executable, "-c", "import dooryard; print(dooryard.__file__)"]
    environ = os.environ | {"PYTHONPATH": str(installed)}
    said = subprocess.run(program, cwd=home, env=environ, capture_output=True, text=True, check=True).stdout
    assert Path(said.strip()).is_relative_to(installed)


def test_a_survey_tries_the_model(installed, home):
    ran = run(installed, home, "survey", "--box", "box.toml", "--policy", "policy.toml", "--no-button")
    assert "good  model" in ran.stdout, ran.stdout + ran.stderr
    assert "it takes the drawn bird for a bird" in ran.stdout
    assert "fault of the program" not in ran.stdout


def test_it_watches_and_names_what_comes(installed, home):
    ran = run(installed, home, "run", "--box", "box.toml", "--policy", "policy.toml")
    assert ran.returncode == 0, ran.stderr
    assert daemon_runs.rows(home, "SELECT COUNT(*) FROM alerts")[0][0] > 0


def test_it_rehearses_a_recording(installed, home):
    ran = run(installed, home, "rehearse", "recording", "--policy", "policy.toml")
    assert ran.returncode == 0, ran.stderr
    assert "sent" in ran.stdout


@pytest.mark.parametrize(
    "words", [("run", "--box", "scene.toml"), ("rehearse", "scene")], ids=["run", "rehearse"]
)
def test_the_simulated_garden_says_what_is_missing(installed, home, words):
    (home / "scene.toml").write_text(f'name = "alder-row"\n[camera]\nkind = "scene"\nseconds = 60\n{MEMORY}')
    ran = run(installed, home, *words)
    assert ran.returncode == CameraError.exit_code
    assert "the simulated garden's picture squirrel.png cannot be read" in ran.stderr
    assert "to do: install the package again" in ran.stderr
    assert "only the simulated garden needs these pictures" in ran.stderr
    assert "Traceback" not in ran.stderr
