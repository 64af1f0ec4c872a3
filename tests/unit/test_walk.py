"""The tool that follows one frame through the rooms."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import daemon_runs
import walk


@pytest.mark.process
def test_it_tells_the_way_of_a_frame_that_becomes_an_alert(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    recording = daemon_runs.paint(tmp_path / "recording")
    box = walk.BOX.replace('kind = "scene"', f'kind = "folder"\nfolder = "{recording}"')
    monkeypatch.setattr(walk, "BOX", box)
    monkeypatch.setattr(sys, "argv", ["walk.py", "--modules"])
    assert walk.main() == 0
    *rooms, last = capfd.readouterr().out.splitlines()
    passed = {line.split()[0]: line for line in rooms}
    assert {"gate", "classify", "tracking", "policy", "outbox"} <= passed.keys()
    assert "policy.limits" in passed["policy"]
    assert "outbox.picture_files" in passed["outbox"]
    assert last.startswith(f"{len(rooms)} rooms, ")
