"""A rehearsal of a recording decides as the daemon did that watched it: same visits, same reasons.

The recording is a minute of the simulated garden, its frames drawn, written as JPEG files and read back.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from PIL import Image

from dooryard.box.file import BoxFile, parse_box
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.families import alder_row_afternoon
from dooryard.camera.scene import SceneCamera
from dooryard.core.clock import FakeClock
from dooryard.outbox.store import Store
from dooryard.policy.parse import parse_policy
from dooryard.rehearse.jobs import Job, Progress, do_all
from dooryard.rehearse.sources import find
from fakes.recordings import exif

FIRST, LAST = 120, 480  # a squirrel, then a lark: 24 s to 96 s of the afternoon
POLICY = """
[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"
[[rule]]
name = "squirrel on the seed"
visitor = ["squirrel"]
sure = 0.7
send_to = ["phone"]
[[rule]]
name = "any bird"
visitor = ["bird"]
cooldown_min = 0.5
send_to = ["phone"]
"""
BOX = """
state_folder = "state"
[camera]
kind = "folder"
folder = "frames"
[[sink]]
kind = "memory"
name = "phone"
"""


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A folder with the recording, the box that watches it, and its policy."""
    base = tmp_path_factory.mktemp("alder-row")
    frames = base / "frames"
    frames.mkdir()
    camera = SceneCamera(alder_row_afternoon(), frames=LAST)
    camera.open(camera.plan.wall(FIRST - 1))
    try:
        while True:
            frame = camera.read(1.0)
            picture = Image.fromarray(frame.large())
            picture.save(
                frames / f"{frame.number:05d}.jpg", exif=exif(frame.wall.astimezone(UTC)), quality=88
            )
    except EndOfFramesError:
        camera.close()
    (base / "box.toml").write_text(BOX)
    (base / "policy.toml").write_text(POLICY)
    return base


def rehearsed(base, box, processes=1, names=("frames",), pictures=False):
    policy = parse_policy(POLICY, "policy.toml").value
    work = [
        Job(n, find(str(base / name), box, base, time_zone="UTC"), (("policy.toml", policy),),
            frozenset({"phone"}), pictures)
        for n, name in enumerate(names)
    ]  # fmt: skip
    return do_all(work, processes, Progress(sys.stderr, len(work)))


@pytest.mark.process
def test_the_same_visits_and_the_same_reasons(recorded):
    command = [sys.executable, "-m", "dooryard", "run", "--box", "box.toml", "--policy", "policy.toml"]
    done = subprocess.run(command, cwd=recorded, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    store = Store.open(recorded / "state", FakeClock())
    try:
        stored = store.visits_between(datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC))
        decisions = [store.decision_of(visit.id) for visit in stored]
    finally:
        store.close()
    box = parse_box(BOX, "box.toml").value
    ((first,),) = rehearsed(recorded, box)
    assert len(stored) >= 2
    assert [(v.start, v.end, v.visitor, v.sightings, v.box) for v in stored] == [
        (s.visit.start.wall, s.end, s.visit.visitor, s.visit.sightings, s.visit.box) for s in first.seen
    ]
    assert [replace(decision, visit="") for decision in decisions] == [
        replace(seen.decision, visit="") for seen in first.seen
    ]


@pytest.mark.process
def test_in_several_processes_as_in_one(recorded):
    """Also the second time, with the classifier's answers kept beside the recording."""
    box = BoxFile()
    link = recorded / "again"
    if not link.exists():
        link.symlink_to(recorded / "frames", target_is_directory=True)
    ((alone,),) = rehearsed(recorded, box)
    assert list((recorded / "frames").glob(".dooryard-answers-*.npz"))
    several = rehearsed(recorded, box, processes=2, names=("frames", "again"))
    for (each,) in several:
        assert [seen.decision for seen in each.seen] == [seen.decision for seen in alone.seen]
    assert [each.recording for (each,) in several] == [str(recorded / "frames"), str(recorded / "again")]
