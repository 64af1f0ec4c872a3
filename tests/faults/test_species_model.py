"""The species model is missing or damaged: told once, and the box watches on with groups."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import daemon_runs
from dooryard.box.file import NONE, BoxFile, ClassifierOptions
from dooryard.classify.onnx import BUILT_IN_BIRDS
from dooryard.core.errors import ModelError
from dooryard.policy.schema import Place
from dooryard.service import build

MEMORY = '[[sink]]\nname = "phone"\nkind = "memory"\n'
ALDER_ROW = Place(name="Alder Row", latitude=51.752, longitude=-1.258, time_zone="Europe/London")
POLICY = daemon_runs.POLICY.replace("[place]", "[place]\nlatitude = 51.752\nlongitude = -1.258")
PARTS = ("birds.onnx", "birds-labels.csv", "birds.toml")
# The command, with another folder of models.
RUN = """
import sys
from pathlib import Path
from dooryard.cli.main import main
from dooryard.service import build
build.BUILT_IN_BIRDS = Path(sys.argv.pop(1))
sys.exit(main(sys.argv[1:]))
"""


def damaged(folder: Path, part: str, damage: str) -> Path:
    """A copy of the species model, one of whose files is missing, torn or another; returns its card."""
    for file in BUILT_IN_BIRDS.parent.glob("birds*"):
        shutil.copy(file, folder)
    path = folder / part
    if damage == "missing":
        path.unlink()
    elif damage == "torn":
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    else:
        path.write_bytes(b"x" * path.stat().st_size)
    return folder / "birds.toml"


@pytest.mark.parametrize("damage", ["missing", "torn", "other"])
@pytest.mark.parametrize("part", PARTS)
def test_birds_are_told_without_names_then(tmp_path, monkeypatch, part, damage):
    monkeypatch.setattr(build, "BUILT_IN_BIRDS", damaged(tmp_path, part, damage))
    classifier = build.classifier(BoxFile(), tmp_path, ALDER_ROW)
    assert classifier.species_card is None
    assert build.numbers_of(classifier) is None
    trouble = build.names_trouble(classifier)
    assert "birds are told without their names" in trouble
    assert part in trouble


def test_names_in_a_policy_are_not_checked_then_but_groups_are_known(tmp_path, monkeypatch):
    monkeypatch.setattr(build, "BUILT_IN_BIRDS", damaged(tmp_path, "birds-labels.csv", "missing"))
    names, group_of = build.visitors_if_known(BoxFile(), tmp_path)
    assert names is None
    assert group_of["bird"] == "bird"
    assert group_of["red fox"] == "fox"


def test_a_species_model_of_ones_own_stops_the_start(tmp_path):
    """Whoever names a model wants it: no silent doing without."""
    damaged(tmp_path, "birds.onnx", "torn")
    box = BoxFile(classifier=ClassifierOptions(species_card="birds.toml"))
    with pytest.raises(ModelError, match=r"birds\.onnx"):
        build.classifier(box, tmp_path, ALDER_ROW)


@pytest.mark.parametrize(
    ("species_card", "place", "asked"),
    [
        ("built-in", ALDER_ROW, True),
        ("built-in", Place(birds=("europe",)), True),
        ("built-in", Place(), False),
        (NONE, ALDER_ROW, False),
    ],
)
def test_it_is_on_where_the_place_is_known_and_off_by_one_key(tmp_path, species_card, place, asked):
    box = BoxFile(classifier=ClassifierOptions(species_card=species_card))
    assert (build.classifier(box, tmp_path, place).species_card is not None) == asked


def test_the_daemon_says_so_once_and_watches_on(tmp_path):
    recording = daemon_runs.paint(tmp_path / "recording")
    daemon_runs.write_files(tmp_path, recording, MEMORY)
    (tmp_path / "policy.toml").write_text(POLICY)
    (tmp_path / "models").mkdir()
    card = damaged(tmp_path / "models", "birds.onnx", "torn")
    files = ["--box", str(tmp_path / "box.toml"), "--policy", str(tmp_path / "policy.toml")]
    ran = subprocess.run(
        [sys.executable, "-c", RUN, str(card), "run", *files],
        capture_output=True,
        text=True,
        timeout=400,
        check=False,
        env={**os.environ},
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr.count("box: classifier") == 1
    assert "birds.onnx" in ran.stderr
    groups = {group for (group,) in daemon_runs.rows(tmp_path, "SELECT group_name FROM visits")}
    assert {"squirrel", "bird"} <= groups
