"""Several folders as one recording, and how recordings are found by their names."""

from __future__ import annotations

from datetime import timedelta

import pytest

from dooryard.box.file import BoxFile, parse_box
from dooryard.camera.base import EndOfFramesError
from dooryard.core.errors import CameraError, ConfigError
from dooryard.recording.recordings import parts_of
from dooryard.recording.segments import SegmentsCamera
from dooryard.rehearse.sources import camera_of, count_frames, find, sinks_of
from fakes.recordings import write_frame
from fakes.rules import START, policy


def segment(folder, first_s, count, mono_s):
    """A folder of `count` frames, a second apart, with an index."""
    lines = ["file,time,mono_s"]
    for k in range(count):
        write_frame(folder / f"{k:04d}.jpg", number=k)
        wall = START.wall + timedelta(seconds=first_s + k)
        lines.append(f"{k:04d}.jpg,{wall.isoformat()},{mono_s + k}")
    (folder / "index.csv").write_text("\n".join(lines) + "\n")


def played(camera):
    camera.open()
    frames = []
    try:
        while True:
            frames.append(camera.read(1.0))
    except EndOfFramesError:
        camera.close()
    return frames


@pytest.mark.parametrize(("mono_s", "name"), [(110.0, "the clock went on"), (5.0, "a reboot lay between")])
def test_frames_go_on_from_part_to_part(tmp_path, mono_s, name):
    segment(tmp_path / "2026-06-14T14", 0, 3, 100.0)
    segment(tmp_path / "2026-06-14T15", 10, 2, mono_s)
    source = find(str(tmp_path), BoxFile(), tmp_path, time_zone="UTC")
    assert count_frames(source) == 5
    frames = played(camera_of(source))
    assert [frame.number for frame in frames] == [1, 2, 3, 4, 5]
    assert [frame.mono_s for frame in frames] == [100.0, 101.0, 102.0, 110.0, 111.0]


def test_a_camera_that_is_not_open():
    camera = SegmentsCamera("nothing", [lambda: None])
    with pytest.raises(CameraError):
        camera.read(1.0)
    with pytest.raises(ValueError, match="at least one part"):
        SegmentsCamera("nothing", [])


def test_a_plain_folder_is_one_recording(tmp_path):
    write_frame(tmp_path / "a.jpg", START.wall)
    assert parts_of(tmp_path) == [tmp_path]
    source = find(str(tmp_path), BoxFile(), tmp_path, time_zone="Europe/London")
    assert source.box.camera.time_zone == "Europe/London"
    assert [frame.wall for frame in played(camera_of(source))] == [START.wall]


def test_the_simulated_garden(tmp_path):
    box = parse_box("[camera]\nluma_width = 160\nluma_height = 120\n[gate]\nsmallest = 0.1\n", "b.toml").value
    source = find("scene:calm", box, tmp_path, time_zone="UTC")
    camera = camera_of(source)
    camera.open()
    assert camera.read(1.0).luma.shape == (120, 160)
    assert source.box.gate.smallest == 0.1
    assert count_frames(source) > 0
    assert camera_of(find("scene", box, tmp_path, time_zone="UTC")).plan.settings.seed == 2026


def test_a_box_file_whose_camera_is_a_recording(tmp_path):
    write_frame(tmp_path / "frames" / "a.jpg", START.wall)
    path = tmp_path / "box.toml"
    path.write_text('[camera]\nkind = "folder"\nfolder = "frames"\n')
    source = find(str(path), BoxFile(), tmp_path, time_zone="UTC")
    assert len(played(camera_of(source))) == 1
    path.write_text('[camera]\nkind = "picamera"\n')
    with pytest.raises(ConfigError, match='of kind "picamera", which is no recording'):
        find(str(path), BoxFile(), tmp_path, time_zone="UTC")


def test_no_such_recording(tmp_path):
    with pytest.raises(CameraError, match="there is no recording nowhere"):
        find("nowhere", BoxFile(), tmp_path, time_zone="UTC")


def test_sinks_that_can_be_tried():
    box = parse_box('[[sink]]\nkind = "memory"\nname = "bell"\n', "b.toml").value
    rules = [policy({"send_to": ["phone", "all"]}), policy({"send_to": ["post"]})]
    assert sinks_of(box, rules) == {"bell"}
    assert sinks_of(BoxFile(), rules) == {"phone", "post"}
    assert sinks_of(BoxFile(), [policy({"send_to": ["all"]})]) == {"phone"}
