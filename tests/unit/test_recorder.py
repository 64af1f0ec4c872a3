"""The recorder: what it writes is a recording, whatever happens to the disk."""

from __future__ import annotations

import csv
import io
import json
import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dooryard.box.file import BoxFile
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.fake import FakeCamera
from dooryard.cli.record import record, record_camera
from dooryard.core.errors import CameraError, StoreError
from dooryard.core.records import Exposure, Frame, Moment
from dooryard.recording.writer import Recorder, RecorderDisk, RecorderSettings
from dooryard.rehearse.recorded import read
from dooryard.rehearse.sources import camera_of, find
from dooryard.service.build import recorder_of
from fakes.rules import START, later

SMALL = RecorderSettings(frames_per_s=2.0, leave_free_bytes=0)


def frame(number, at_s, gain=1.0):
    pixels = np.full((48, 64, 3), number % 200, np.uint8)
    wall = START.wall + timedelta(seconds=at_s)
    return Frame(number, wall, START.mono_s + at_s, pixels[..., 0], lambda: pixels, Exposure(0.01, gain))


def recorded(recorder, seconds, per_s=5, start_s=0.0):
    for k in range(round(seconds * per_s)):
        recorder.take(frame(k, start_s + k / per_s))
    recorder.close()


def played(folder: Path):
    camera: Any = camera_of(find(str(folder), BoxFile(), folder, time_zone="UTC"))
    camera.open()
    frames = []
    try:
        while True:
            frames.append(camera.read(1.0))
    except EndOfFramesError:
        camera.close()
    return frames, camera.notes


def test_what_is_recorded_can_be_played(tmp_path):
    recorder = Recorder(tmp_path, SMALL, {"gate.smallest": 0.04})
    recorder.readings([("cpu", 51.25), ("enclosure", None)], later(3))
    recorded(recorder, 10)
    frames, notes = played(tmp_path)
    assert notes == []
    assert recorder.kept == len(frames) == 20
    assert frames[0].wall == START.wall
    assert [each.mono_s for each in frames] == sorted(each.mono_s for each in frames)
    assert frames[-1].mono_s - frames[0].mono_s == pytest.approx(9.6, abs=0.21)
    assert frames[3].large().shape == (48, 64, 3)
    (part,) = tmp_path.iterdir()
    assert part.name == "00001-2026-06-14T13"
    rows = list(csv.DictReader(io.StringIO((part / "readings.csv").read_text())))
    assert [(row["sensor"], row["value"]) for row in rows] == [
        ("cpu", "51.250"), ("enclosure", ""), ("camera.exposure_s", "0.01"), ("camera.gain", "1"),
    ]  # fmt: skip
    assert json.loads((part / "about.json").read_text()) == {"gate.smallest": 0.04}


@pytest.mark.parametrize("rate", [0.5, 1.0, 2.0, 3.0, 5.0, 50.0])
def test_the_rate(tmp_path, rate):
    recorder = Recorder(tmp_path, RecorderSettings(frames_per_s=rate, leave_free_bytes=0))
    recorded(recorder, 20)
    assert recorder.kept == pytest.approx(20 * min(rate, 5), abs=1.01)


def test_exposure_is_noted_when_it_changes(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    for k, gain in enumerate([1.0, 1.0, 1.01, 2.0, 2.0]):
        recorder.take(frame(k, k, gain))
    recorder.close()
    text = next(tmp_path.glob("*/readings.csv")).read_text()
    assert [line.rsplit(",", 1)[1] for line in text.split("\n") if "gain" in line] == ["1", "2"]


def test_an_hour_is_a_part_of_its_own_and_the_recording_goes_on(tmp_path):
    recorder = Recorder(tmp_path, RecorderSettings(frames_per_s=0.01, leave_free_bytes=0))
    for k in range(40):
        recorder.take(frame(k, k * 200.0))
    recorder.close()
    assert [part.name for part in sorted(tmp_path.iterdir())] == [
        "00001-2026-06-14T13", "00002-2026-06-14T14", "00003-2026-06-14T15",
    ]  # fmt: skip
    assert [each.number for each in played(tmp_path)[0]] == list(range(1, 41))


def test_a_second_start_begins_a_new_part(tmp_path):
    recorded(Recorder(tmp_path, SMALL), 5)
    recorded(Recorder(tmp_path, SMALL), 5, start_s=100)
    assert len(list(tmp_path.iterdir())) == 2
    assert len(played(tmp_path)[0]) == 20


def test_when_full_the_oldest_hour_goes(tmp_path):
    settings = RecorderSettings(frames_per_s=0.01, leave_free_bytes=0, most_bytes=60_000, flush_s=500.0)
    recorder = Recorder(tmp_path, settings)
    for k in range(200):
        recorder.take(frame(k, k * 100.0))
    recorder.close()
    assert recorder.stopped is None
    parts = sorted(part.name[:5] for part in tmp_path.iterdir())
    assert parts[0] != "00001"
    assert parts[-1] == "00006"
    assert sum(path.stat().st_size for path in tmp_path.rglob("*.jpg")) <= 60_000


def test_when_one_hour_is_too_much_it_stops_and_says_so(tmp_path):
    settings = RecorderSettings(frames_per_s=5, leave_free_bytes=0, most_bytes=20_000, flush_s=1.0)
    recorder = Recorder(tmp_path, settings)
    recorded(recorder, 60)
    assert recorder.stopped == "the recording has reached its bound"
    assert len(played(tmp_path)[0]) == recorder.kept


def test_a_disk_that_is_nearly_full(tmp_path):
    recorder = Recorder(tmp_path, RecorderSettings(leave_free_bytes=1 << 60))
    assert recorder.take(frame(0, 0)) is False
    assert recorder.stopped == "the recording has reached its bound"


def test_no_longer_than_asked(tmp_path):
    recorder = Recorder(tmp_path, RecorderSettings(most_s=4.0, leave_free_bytes=0))
    recorded(recorder, 10)
    assert (recorder.kept, recorder.stopped) == (8, "as long as was asked for")


class Failing(RecorderDisk):
    """Fails at the n-th call."""

    def __init__(self, at):
        self.left = at

    def _count(self):
        self.left -= 1
        if self.left < 0:
            raise OSError(5, "Input/output error")

    def append(self, path, text):
        self._count()
        super().append(path, text)

    def put(self, path, data):
        self._count()
        super().put(path, data)

    def flush(self, path):
        self._count()
        super().flush(path)

    def sync_folder(self, path):
        self._count()
        super().sync_folder(path)


@pytest.mark.parametrize("at", range(40))
def test_a_disk_that_fails_at_any_step_leaves_a_recording(tmp_path, at):
    settings = RecorderSettings(frames_per_s=2, leave_free_bytes=0, flush_s=2.0)
    recorder = Recorder(tmp_path / "r", settings, disk=Failing(at))
    recorded(recorder, 8)
    if recorder.stopped is None:
        return
    assert recorder.stopped == "the disk refuses: Input/output error"
    index = next(tmp_path.glob("r/*/index.csv"), None)
    if index is not None and index.read_text().count("\n") > 1:
        frames, notes = played(tmp_path / "r")
        assert len(frames) == index.read_text().count("\n") - 1
        assert notes == []


def test_a_line_torn_by_a_power_cut_costs_that_line_only(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    recorded(recorder, 2)
    index = next(tmp_path.glob("*/index.csv"))
    index.write_text(index.read_text()[:-12])
    RecorderDisk().append(index, f"000004.jpg,{later(2).wall.isoformat()},{later(2).mono_s}\n")
    frames, notes = played(tmp_path)
    assert len(frames) + len(notes) == 5


def test_a_frame_is_in_the_index_only_when_it_is_flushed(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    for k in range(10):
        recorder.take(frame(k, k / 2))
    (index,) = tmp_path.glob("*/index.csv")
    assert index.read_text() == "file,time,mono_s\n"
    recorder.close()
    assert index.read_text().count("\n") == 11
    recorder.close()


def test_any_camera_can_be_recorded(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    camera = FakeCamera("ffffffsf", repeat=False, live=False, frames_per_s=1.0)
    record_camera(camera, recorder, threading.Event())
    assert recorder.kept == 7
    stop = threading.Event()
    stop.set()
    record_camera(camera, recorder, stop)
    assert recorder.kept == 7


def test_the_command_writes_a_scene_with_its_truth(tmp_path):
    box = tmp_path / "box.toml"
    box.write_text('[camera]\nkind = "scene"\nseconds = 2\n')
    out = io.StringIO()
    assert record(box, tmp_path / "r", SMALL, threading.Event(), out) == 0
    assert out.getvalue() == f"4 frames in {tmp_path / 'r'}\n"
    assert (tmp_path / "r" / "truth.csv").read_text().startswith("start,end,visitor,species\n")
    assert len(played(tmp_path / "r")[0]) == 4


def test_the_command_says_when_the_disk_refuses(tmp_path, monkeypatch):
    def refuse(_self, _path, _text):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(RecorderDisk, "append", refuse)
    box = tmp_path / "box.toml"
    box.write_text('[camera]\nkind = "fake"\nscript = "fff"\nrepeat = false\nlive = false\n')
    with pytest.raises(StoreError, match=r"(?s)the disk refuses: Permission denied.*this user may write to"):
        record(box, tmp_path / "r", SMALL, threading.Event(), io.StringIO())


def test_readings_after_the_end_are_dropped(tmp_path):
    recorder = Recorder(tmp_path, RecorderSettings(most_s=0.0, leave_free_bytes=0))
    recorder.take(frame(0, 0))
    recorder.readings([("cpu", 1.0)], Moment(START.wall, START.mono_s))
    recorder.close()
    assert recorder.stopped is not None


def box_with(**keys: object) -> BoxFile:
    return BoxFile.model_validate({"name": "Alder Row box", "recorder": keys})


def test_the_box_file_says_whether_where_and_how_much(tmp_path):
    assert recorder_of(BoxFile(), tmp_path) is None
    recorder = recorder_of(box_with(frames_per_s=1.0, most_gb=0.1), tmp_path)
    assert recorder.folder == tmp_path / "recording"
    recorder._settings = replace(recorder._settings, leave_free_bytes=0)  # whatever disk the tests run on
    recorded(recorder, 10)
    assert recorder.kept == len(played(tmp_path / "recording")[0]) == 10
    about = json.loads(next(tmp_path.glob("recording/*/about.json")).read_text())
    assert about["name"] == "Alder Row box"
    assert about["camera"]["kind"] == "picamera"
    assert "sink" not in about  # addresses are nobody's business who reads a recording
    elsewhere = recorder_of(box_with(folder="/srv/alder-row", most_gb=0.1), tmp_path)
    assert elsewhere.folder == Path("/srv/alder-row")
    assert elsewhere._settings.most_bytes == 100_000_000


def test_a_frame_without_a_large_picture_is_passed_over(tmp_path):
    def broken():
        raise CameraError("the buffer is gone", "wait for the next frame")

    recorder = Recorder(tmp_path, SMALL)
    assert recorder.take(replace(frame(0, 0), large=broken)) is False
    assert recorder.take(frame(1, 1)) is True
    recorder.close()
    assert (recorder.stopped, len(played(tmp_path)[0])) == (None, 1)


def test_readings_are_written_while_the_camera_rests(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    recorder.take(frame(0, 0))
    for k in range(1, 60):
        recorder.readings([("cpu", 50.0 + k)], later(k * 10))
    written = next(tmp_path.glob("*/readings.csv")).read_text().count(",cpu,")
    assert written >= 57
    assert len(recorder._readings) <= 2


def test_readings_before_the_first_frame_are_bounded(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    for k in range(12_000):
        recorder.readings([("cpu", 50.0)], later(k))
    recorder.take(frame(0, 12_000))
    recorder.close()
    assert next(tmp_path.glob("*/readings.csv")).read_text().count(",cpu,") == 10_000


def test_a_disk_that_refuses_the_readings_stops_the_recording_only(tmp_path):
    recorder = Recorder(tmp_path, SMALL, disk=Failing(7))
    recorder.take(frame(0, 0))
    for k in range(1, 20):
        recorder.readings([("cpu", 50.0)], later(k * 30))
    assert recorder.stopped == "the disk refuses: Input/output error"


def test_a_sensors_name_may_be_any_text_on_a_line(tmp_path):
    recorder = Recorder(tmp_path, SMALL)
    names = ["wall, south", 'the "lid"', "Außenwand"]
    recorder.readings([(name, 21.5) for name in names], later(0))
    recorder.take(frame(0, 0))
    recorder.close()
    found = read(list(tmp_path.iterdir()))
    assert [(each.sensor, each.value) for each in found[:3]] == [(name, 21.5) for name in names]
