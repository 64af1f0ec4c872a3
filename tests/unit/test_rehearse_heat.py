"""Recorded temperatures act in a rehearsal as they would on the box."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from dooryard import pipeline
from dooryard.box.file import BoxFile
from dooryard.camera.base import EndOfFramesError
from dooryard.classify.fake import FakeClassifier
from dooryard.core.errors import CameraError
from dooryard.core.records import Exposure, Frame, Moment
from dooryard.health.thermal import Throttle
from dooryard.health.throttle import throttled_conditions
from dooryard.rehearse.page import page
from dooryard.rehearse.recorded import Readings, Recorded, read
from dooryard.rehearse.replay import replay
from dooryard.rehearse.table import told_table
from dooryard.service.build import conditions
from fakes.rules import SINKS, START, later, policy

GREY = np.full((120, 160), 90, np.uint8)
HEAT = {"sensor": "cpu", "above_c": 70, "until_below_c": 60, "at_least_min": 1}


class Still:
    """A recording of a view in which nothing moves."""

    name, live = "still", False

    def __init__(self, frames, per_s):
        self.count, self.per_s, self.number = frames, per_s, 0

    def open(self, after=None):
        self.number = 0

    def read(self, timeout_s):
        if self.number >= self.count:
            raise EndOfFramesError
        self.number += 1
        at = later((self.number - 1) / self.per_s)
        return Frame(self.number, at.wall, at.mono_s, GREY, lambda: GREY, Exposure())

    def close(self):
        pass


def rehearsed(step, temps, frames=200, per_s=0.5):
    """A still view, with a reading of `temps` every ten seconds."""
    lines = [Recorded(later(10 * k).wall, "cpu", temp) for k, temp in enumerate(temps)]
    rules = replace(conditions(BoxFile(), policy({}, heat=[{**HEAT, **step}]), clock_set=True), sinks=SINKS)
    nobody = FakeClassifier(lambda _number, _box: {})
    (done,) = replay(Still(frames, per_s), nobody, [rules], readings=Readings(lines))
    assert done.frames == frames
    return done


def test_the_camera_is_off_while_it_is_hot():
    done = rehearsed({"camera": "off"}, [50.0] * 10 + [75.0] * 10 + [50.0] * 20)
    ((start, end),) = done.rests
    assert [text for _, text in done.heat] == [
        "cpu is at 75 °C: camera off",
        "cpu is down to 50 °C: camera on again",
    ]
    assert (start - done.first, end - done.first) == (timedelta(seconds=110), timedelta(seconds=210))
    assert "cpu is at 75 °C: camera off" in told_table(done)
    text = page([done])
    assert 'class="off"' in text
    assert "Heat and power" in text


def test_the_pace_of_a_sensor_is_that_of_its_recording():
    lines = [Recorded(later(600.0 * k).wall, "cpu", 75.0) for k in range(6)]
    rules = replace(
        conditions(BoxFile(), policy({}, heat=[{**HEAT, "halt": True}]), clock_set=True), sinks=SINKS
    )
    nobody = FakeClassifier(lambda _number, _box: {})
    (done,) = replay(Still(400, 0.1), nobody, [rules], readings=Readings(lines))
    assert [text for _, text in done.heat] == ["cpu is at 75 °C: halt"]


@pytest.mark.parametrize(("asked", "waits"), [(None, 0.8), (0.1, 0.8), (5.0, 5.0)])
def test_looks_are_never_more_frequent_than_without(asked, waits):
    rules = conditions(BoxFile(), policy({}), clock_set=True)
    assert throttled_conditions(rules, Throttle(look_every_s=asked)).look_every_s == waits


def test_fewer_frames_are_seen_while_it_is_hot(monkeypatch):
    seen = []
    step = pipeline.step

    def counted(state, frame, rules, now):
        seen.append(now.mono_s - START.mono_s)
        return step(state, frame, rules, now)

    monkeypatch.setattr(pipeline, "step", counted)
    rehearsed({"frames_per_s": 0.1}, [75.0] * 3 + [50.0] * 37)
    hot = [at_s for at_s in seen if 30 <= at_s <= 80]
    assert len(hot) == 6  # of 26
    assert len([at_s for at_s in seen if at_s > 100]) == 149  # all again


def test_a_box_that_halted_stays_so():
    done = rehearsed({"halt": True}, [75.0] * 5 + [20.0] * 40)
    assert [text for _, text in done.heat] == ["cpu is at 75 °C: halt"]
    assert done.rests == ((done.first + timedelta(seconds=20), done.last),)


def test_silence_keeps_the_camera_off_for_an_hour():
    done = rehearsed({"camera": "off"}, [75.0] * 5, frames=400, per_s=0.1)
    assert [text.partition(":")[0] for _, text in done.heat] == [
        "cpu is at 75 °C",
        "cpu has been silent for 1 h, so its state is unknown",
    ]
    ((start, end),) = done.rests
    assert end - start == pytest.approx(timedelta(seconds=3600 + 40 - 20), abs=timedelta(seconds=61))


def test_nothing_is_done_without_readings():
    done = rehearsed({"camera": "off"}, [])
    assert (done.rests, done.heat) == ((), ())


def test_readings_come_as_the_frames_do():
    lines = [Recorded(later(s).wall, "cpu", value) for s, value in ((0, 50.0), (5, None), (20, 52.0))]
    readings = Readings(reversed(lines))
    assert readings.due(later(6)) == {"cpu": (START.mono_s + 5, None)}
    assert readings.due(later(6)) == {}
    assert readings.due(Moment(later(25).wall, 100.0)) == {"cpu": (95.0, 52.0)}


def test_readings_are_read_and_torn_lines_passed_over(tmp_path):
    (tmp_path / "readings.csv").write_text(
        "time,mono_s,sensor,value\n2026-06-14T13:00:00+00:00,5.0,cpu,51.5\n"
        "2026-06-14T13:00:10+00:00,15.0,cpu,\n2026-06-14T13:00:2\n2026-06-14T13:00:30,35,cpu,1\n"
        "2026-06-14T13:00:40+00:00,45.0,cpu,nan\n"
    )
    assert [(line.sensor, line.value) for line in read([tmp_path, tmp_path / "none"])] == [
        ("cpu", 51.5), ("cpu", None),
    ]  # fmt: skip
    (tmp_path / "readings.csv").write_text("when,what\n")
    with pytest.raises(CameraError, match="begins with 'when,what'"):
        read([tmp_path])
