"""Nothing of a blacked out part gets anywhere: two afternoons that differ there leave the same.

By the real program: the store, alerts at a receiver, the journal's pages, a recording, a rehearsal's page.
"""

from __future__ import annotations

import base64
import io
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import daemon_runs
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.scene import SceneCamera
from fakes.recordings import exif

pytestmark = pytest.mark.process

GARDEN = replace(daemon_runs.GARDEN, duration_s=32.0, visits=(daemon_runs.GARDEN.visits or ())[:1])
PART = (0.0, 0.0, 0.3, 0.45)
TABLE = 'kind = "folder"\nfolder = "{}"\nblackout = [[{}, {}, {}, {}]]\n'


def paint(folder: Path, seed: int) -> Path:
    """The garden's minute, with noise in that part, another in each frame."""
    folder.mkdir()
    random, camera = np.random.default_rng(seed), SceneCamera(GARDEN)
    camera.open()
    while True:
        try:
            frame = camera.read(1.0)
        except EndOfFramesError:
            return folder
        pixels = frame.large().copy()
        height, width = pixels.shape[:2]
        inside = pixels[: int(PART[3] * height), : int(PART[2] * width)]
        inside[:] = random.integers(0, 256, inside.shape, np.uint8)
        name = folder / f"{frame.number:05d}.png"
        Image.fromarray(pixels).save(name, exif=exif(frame.wall), compress_level=1)


def dooryard(*arguments: object) -> None:
    command = [sys.executable, "-m", "dooryard", *map(str, arguments)]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=240)
    assert done.returncode == 0, done.stderr


def left_by(home: Path, seed: int) -> dict[str, list[bytes]]:
    """Every picture of an afternoon, by where it was left."""
    home.mkdir()
    recording = paint(home / "frames", seed)
    with daemon_runs.receiver(home / "received") as (sink, _):
        daemon_runs.write_files(home, recording, sink, TABLE.format(recording, *PART))
        done = daemon_runs.run(home, 240)
        assert done.returncode == 0, done.stderr
    files = ("--box", home / "box.toml", "--policy", home / "policy.toml")
    dooryard("journal", *files)
    dooryard("record", home / "recorded", "--box", home / "box.toml")
    dooryard(
        "rehearse", home / "box.toml", "--policy", home / "policy.toml", "--report", home / "report.html"
    )
    dooryard("rehearse", recording, *files, "--report", home / "report-of-recording.html")
    folders = {
        "alerts": home / "received",
        "stored": home / "state" / "pictures",
        "pages": home / "state" / "journal",
        "recorded": home / "recorded",
    }
    reports = {
        "report": home / "report.html",
        "report of a recording": home / "report-of-recording.html",
    }
    return {name: files_in(folder) for name, folder in folders.items()} | {
        name: pictures_inside(page) for name, page in reports.items()
    }


def pictures_inside(page: Path) -> list[bytes]:
    found = re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page.read_text("utf-8"))
    return [base64.b64decode(each) for each in found]


def files_in(folder: Path) -> list[bytes]:
    return sorted(path.read_bytes() for path in folder.rglob("*") if path.suffix in {".jpg", ".png"})


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    home = tmp_path_factory.mktemp("blackout")
    return left_by(home / "one", 1), left_by(home / "other", 2)


KINDS = ("stored", "pages", "recorded", "report", "report of a recording", "alerts")


@pytest.mark.parametrize("kind", KINDS)
def test_no_picture_tells_what_was_there(both, kind):
    one, other = both
    assert one[kind]
    assert one[kind] == other[kind]


@pytest.mark.parametrize("kind", ["stored", "recorded", "alerts"])
def test_that_part_is_black(both, kind):
    for data in both[0][kind]:
        pixels = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
        height, width = pixels.shape[:2]
        assert pixels[: int(PART[3] * height) - 8, : int(PART[2] * width) - 8].max() <= 12
        assert pixels.mean() > 40
