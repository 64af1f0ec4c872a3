"""The service loop on simulated time: the box is looked after while frames come."""

from __future__ import annotations

import logging
import threading
from contextlib import ExitStack, closing
from dataclasses import replace

import pytest

from dooryard.button.press import Press
from dooryard.camera.fake import FakeCamera
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.classify.fake import FakeClassifier
from dooryard.core.clock import FakeClock
from dooryard.core.errors import StoreError
from dooryard.gate import GateSettings
from dooryard.health.monitor import Monitor
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from dooryard.recording.writer import Recorder, RecorderSettings
from dooryard.sensors.kinds import Machine
from dooryard.sensors.poller import SensorPoller
from dooryard.service.activity_log import ActivityLog
from dooryard.service.loop import Loop
from dooryard.service.parts import Parts
from dooryard.service.scheduler import RecordedScheduler
from dooryard.service.systemd import Notifier
from dooryard.service.visit_store import VisitStore
from dooryard.site.site_model import place_for
from dooryard.tracking.visits import VisitSettings, VisitsState
from fakes.sensors import asked

POLICY = """
[place]
name = "Alder Row"
time_zone = "Europe/London"

[[rule]]
name = "anybody"
visitor = ["anything"]

[[heat]]
sensor = "enclosure"
above_c = 60
until_below_c = 50
camera = "off"
"""


class Bench:
    """A loop whose time goes on with each turn."""

    def __init__(self, stack, folder, sensor="0:20", script="f" * 5, policy=POLICY):
        self.clock = FakeClock()
        self.policy = parse_policy(policy, "test.toml", sensors=frozenset({"enclosure"})).value
        self.store = stack.enter_context(closing(Store.open(folder, self.clock)))
        activity_log = stack.enter_context(closing(ActivityLog(folder)))
        self.camera = FakeCamera(
            script, live=True, repeat=True, clock=self.clock, luma_size=(160, 120), frames_per_s=1
        )
        supervisor = CameraSupervisor(self.camera, Patience())
        supervisor.open()
        rules = Conditions(self.policy, GateSettings(), VisitSettings(), frozenset({"phone"}))
        now = self.clock.now()
        spec = asked("enclosure", "fake", script=sensor, every_s=30)
        self.poller = SensorPoller([spec.built(Machine(state_folder=folder))], self.clock)
        self.monitor = Monitor(self.poller)
        dispatcher = Dispatcher(self.store, [], self.clock, logging.getLogger("test"))
        self.parts = Parts(
            supervisor, FakeClassifier(lambda _n, _b: {}),
            VisitStore(self.store, activity_log, lambda: None, "b", now),
            dispatcher, self.clock, RecordedScheduler(now), Notifier({}), self.clock, self.monitor,
        )  # fmt: skip
        self.stop, self.reload = threading.Event(), threading.Event()
        self.loop = Loop(self.parts, State(VisitsState(b"s"), PolicyState()), rules, self.stop, self.reload)

    def play(self, seconds):
        end = self.clock.now().mono_s + seconds
        while self.clock.now().mono_s < end and not self.loop.halting:
            self.poller.tick()
            self.loop.tick()
            self.clock.advance(0.05)
        return self

    def messages(self):
        rows = self.store._engine.select(
            lambda row: row["title"] + " | " + row["text"], "SELECT * FROM alerts"
        )
        return list(rows)


@pytest.fixture
def bench(tmp_path):
    with ExitStack() as stack:
        yield lambda **kwargs: Bench(stack, tmp_path / "state", **kwargs)


def test_heat_closes_the_camera_tells_it_and_opens_it_again(bench):
    played = bench(sensor="0:20 120:70 600:40")
    played.play(300)
    assert played.loop.status().startswith("resting until it has cooled")
    frames = played.loop.frames
    played.play(120)
    assert played.loop.frames == frames
    played.play(1500)
    assert played.loop.status().startswith("watching")
    assert played.loop.frames > frames
    heat = [text for text in played.messages() if ": heat" in text]
    assert len(heat) == 2
    assert heat[0].endswith("°C: camera off.")


def test_a_rate_that_is_throttled_holds(bench):
    policy = POLICY.replace('camera = "off"', "frames_per_s = 1")
    played = bench(policy=policy, sensor="0:70").play(150)
    assert played.monitor.throttle.frames_per_s == 1.0
    frames, looked_at = played.loop.frames, played.loop.state.gate
    assert frames > 0
    assert looked_at is not None
    turns = [played.monitor.in_turn(played.clock.advance(0.2)) for _ in range(50)]
    assert 9 <= sum(turns) <= 11


class SlowToOpen(FakeCamera):
    """Its opening comes to no end by itself."""

    opens = False

    def open_in_steps(self, within_s):
        if self.opens:
            self.open()
        return self.opens


def test_while_the_camera_opens_for_the_first_time_the_button_and_the_heat_are_seen_to(bench):
    played = bench(sensor="0:20 30:70")
    camera = SlowToOpen("f", live=True, repeat=True, clock=played.clock, luma_size=(160, 120))
    played.parts.camera = CameraSupervisor(camera, Patience())
    presses, steps = {3: Press.SHORT, 200: Press.HELD}, []

    def pressed():
        steps.append(played.clock.advance(0.5))
        played.poller.tick()
        return [presses[len(steps)]] if len(steps) in presses else []

    played.monitor.button = type("Button", (), {"presses": lambda _self: pressed()})()
    policy = POLICY.replace('camera = "off"', "frames_per_s = 1")
    played.loop.conditions = replace(
        played.loop.conditions,
        policy=parse_policy(policy, "test.toml", sensors=frozenset({"enclosure"})).value,
    )
    assert not played.loop.open_camera()
    assert played.loop.halting
    assert any("opening the camera" in text for text in played.messages())
    assert any(": heat" in text for text in played.messages())


def test_the_loop_begins_once_the_camera_is_open_and_not_after_a_stop(bench):
    played = bench()
    camera = SlowToOpen("f", live=True, repeat=True, clock=played.clock, luma_size=(160, 120))
    played.parts.camera = CameraSupervisor(camera, Patience())
    played.stop.set()
    assert not played.loop.open_camera()
    played.stop.clear()
    camera.opens = True
    assert played.loop.open_camera()
    assert played.loop.status().startswith("watching")


def test_a_short_press_tells_how_things_are_and_a_long_one_halts(bench):
    played = bench()
    pressed = []
    played.monitor.button = type(
        "Button", (), {"presses": lambda _self: [pressed.pop()] if pressed else []}
    )()
    played.play(2)
    pressed.append(Press.SHORT)
    played.play(2)
    assert any(": status" in text and "Running for" in text for text in played.messages())
    pressed.append(Press.HELD)
    played.play(2)
    assert played.loop.halting


def test_a_changed_policy_is_taken_up_whole_or_not_at_all(bench):
    played = bench().play(2)
    answers = [("refused", None), ("taken", parse_policy("", "empty.toml").value)]

    def reread(rules):
        text, new = answers.pop(0)
        return (rules if new is None else replace(rules, policy=new)), text

    played.parts.reread = reread
    played.reload.set()
    played.play(1)
    assert played.loop.conditions.policy is played.policy
    played.reload.set()
    played.play(1)
    assert played.loop.conditions.policy is not played.policy
    assert [text.split("| ")[1] for text in played.messages() if ": policy" in text] == ["Refused.", "Taken."]


def test_a_lost_camera_is_told_once_and_again_when_it_is_back(bench):
    played = bench(script="f" * 20 + "d" + "f" * 200).play(60)
    camera = [text.split("| ")[1] for text in played.messages() if ": camera" in text]
    assert camera[:2] == ["The camera is lost, trying again.", "The camera is back."]


def test_a_silent_sensor_is_told_and_halts_nothing(bench):
    played = bench(sensor="0:20 60:gone").play(900)
    assert not played.loop.halting
    assert any("enclosure" in text for text in played.messages())


def test_what_holds_survives_a_restart(bench):
    played = bench(sensor="0:70").play(300)
    saved = played.monitor.state.to_json(played.clock.now()).encode()
    fresh = Monitor(played.poller)
    fresh.restore(saved, played.clock.now())
    fresh.tick(played.policy, played.clock.now())
    assert fresh.throttle.camera_off


def test_the_boxs_own_recording(bench, tmp_path):
    played = bench(sensor="0:20 120:70 600:40")
    recorder = Recorder(tmp_path / "r", RecorderSettings(frames_per_s=0.5, leave_free_bytes=0))
    played.parts.recorder = recorder
    played.play(700)
    recorder.close()
    text = next(tmp_path.glob("r/*/readings.csv")).read_text()
    rows = [line.split(",") for line in text.splitlines() if ",enclosure," in line]
    assert 20 <= len(rows) <= 25
    assert len({row[1] for row in rows}) == len(rows)  # each once
    assert rows[0][3] == "20.000"
    assert 69.0 < max(float(row[3]) for row in rows) <= 70.0
    assert 60 <= recorder.kept <= played.loop.frames / 2 + 2


def test_a_recording_that_ends_is_told(bench, tmp_path):
    played = bench()
    played.parts.recorder = Recorder(tmp_path / "r", RecorderSettings(leave_free_bytes=1 << 60))
    played.play(30)
    assert [m for m in played.messages() if "recording stopped" in m] == [
        "The box at Alder Row: disk | The box's own recording stopped: the recording has reached its bound."
    ]


HALT = POLICY.replace('camera = "off"', "halt = true")


def test_a_halt_for_heat_does_not_halt_again_once_the_box_has_cooled(bench):
    """What held at the halt is restored; a box that is plugged in again in the evening must not go off."""
    hot = bench(sensor="0:70", policy=HALT).play(300)
    assert hot.loop.halting
    saved = hot.monitor.state.to_json(hot.clock.now()).encode()
    for sensor, halts in (("0:55", False), ("0:70", True), ("0:gone", False)):
        again = Monitor(SensorPoller([asked("enclosure", "fake", script=sensor).built(Machine())], hot.clock))
        again.restore(saved, hot.clock.now())
        seen = []
        for _ in range(20):
            again.poller.tick()
            again.tick(hot.policy, hot.clock.advance(30))
            seen.append(again.throttle.halt)
        assert not seen[0]
        assert any(seen) == halts


def test_the_camera_stays_closed_when_heat_ends_outside_the_watch_hours(bench):
    played = bench(sensor="0:70 300:40").play(200)
    assert played.loop._heat.closed
    played.loop.state = replace(played.loop.state, watching=False)
    closed = played.parts.camera
    played.loop._close_or_open_the_camera(played.clock.now())
    assert not closed._open


class FailingFeedback:
    """Stands in for `feedback.Lessons`."""

    def __init__(self, *answers):
        self.answers, self.asked = list(answers), []

    def take_in(self, place):
        self.asked.append(place)
        answer = self.answers.pop(0) if self.answers else place
        if isinstance(answer, Exception):
            raise answer
        return answer


def test_marks_are_taken_in_every_minute_and_trouble_with_them_is_said(bench, caplog):
    played = bench()
    learned = place_for("m", 4)
    played.parts.feedback = feedback = FailingFeedback(StoreError("the folder is gone", "mend it"), learned)
    played.play(200)
    assert feedback.asked[0] is None
    assert [place.model for place in feedback.asked[2:]] == ["m"] * len(feedback.asked[2:]) != []
    assert "nothing learned from marks" in caplog.text
    assert "mend it" in caplog.text
