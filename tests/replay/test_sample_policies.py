"""Every sample policy, rehearsed with the built-in model on a simulated minute of three visits."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

import daemon_runs
from dooryard.rehearse.command import RehearseOptions, rehearse

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLES = sorted((ROOT / "policies").glob("*.toml"))


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return daemon_runs.paint(tmp_path_factory.mktemp("samples") / "recording")


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)
def test_it_rehearses_and_gives_each_visit_a_reason(recording, sample):
    out = io.StringIO()
    options = RehearseOptions([str(recording)], policy=sample, as_json=True, processes=1)
    assert rehearse(options, out, io.StringIO()) == 0
    (done,) = json.loads(out.getvalue())["recordings"]
    groups = [visit["group"] for visit in done["visits"]]
    assert groups == ["squirrel", "bird", "squirrel"]
    assert all(visit["reason"] for visit in done["visits"])
    told = {visit["group"] for visit in done["visits"] if visit["outcome"] == "told"}
    if sample.name == "squirrel-watch.toml":
        assert told == {"squirrel"}
    else:
        assert told
