"""A box with a camera, a store and a sink: nobody comes, somebody does, and it is muted meanwhile."""

from __future__ import annotations

import io
import logging
import threading
from contextlib import ExitStack, closing
from datetime import timedelta
from functools import partial

import numpy as np
import pytest

from dooryard.box.file import parse_box
from dooryard.camera.fake import FakeCamera
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.classify.fake import FakeClassifier
from dooryard.cli.explain import why
from dooryard.core.clock import FakeClock
from dooryard.core.records import Alert, Outcome
from dooryard.gate import GateSettings
from dooryard.journal import muting
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.pipeline import Conditions
from dooryard.policy.parse import parse_policy
from dooryard.service import restore
from dooryard.service.activity_log import ActivityLog
from dooryard.service.loop import Loop
from dooryard.service.parts import Parts
from dooryard.service.scheduler import RecordedScheduler
from dooryard.service.status import status_text
from dooryard.service.systemd import Notifier
from dooryard.service.visit_store import VisitStore
from dooryard.sinks.memory import MemorySink
from dooryard.tracking.visits import VisitSettings

POLICY = """
[place]
name = "Alder Row"
time_zone = "Europe/London"
[[rule]]
name = "any bird"
visitor = ["bird"]
cooldown_min = 0
[[absence]]
name = "no bird for half an hour"
visitor = ["bird"]
after_h = 0.5
[summary]
at = "never"
"""
BOX = parse_box('name = "Alder Row box"\n[camera]\nkind = "fake"\n', "box.toml").value
EMPTY = np.random.default_rng(7).integers(90, 110, (120, 160, 1)).astype(np.uint8).repeat(3, axis=2)
BIRD = EMPTY.copy()
BIRD[50:80, 70:95] = 40


class Garden:
    """One run of the box on simulated time; the next on the same folder goes on where it stopped."""

    def __init__(self, stack, folder, clock, policy=POLICY, boot="b1"):
        self.clock, self.folder, self.bird = clock, folder, False
        self.policy = parse_policy(policy, "test.toml").value
        self.store = stack.enter_context(closing(Store.open(folder, clock, boot=boot)))
        activity_log = stack.enter_context(closing(ActivityLog(folder)))
        camera = FakeCamera(
            "f", picture=lambda _number: BIRD if self.bird else EMPTY, live=True, repeat=True, clock=clock,
            luma_size=(160, 120), frames_per_s=2,
        )  # fmt: skip
        supervisor = CameraSupervisor(camera, Patience())
        supervisor.open()
        classifier = FakeClassifier(lambda _n, _b: {"bird": 0.95} if self.bird else {})
        rules = Conditions(self.policy, GateSettings(), VisitSettings(), frozenset({"phone"}))
        now, self.sink = clock.now(), MemorySink("phone")
        dispatcher = Dispatcher(self.store, [], clock, logging.getLogger("test"))
        self.parts = Parts(
            supervisor, classifier, VisitStore(self.store, activity_log, lambda: None, boot, now), dispatcher,
            clock, RecordedScheduler(now), Notifier({}), clock,
        )  # fmt: skip
        state = restore.state(self.store, BOX, classifier.card, rules, now, boot)
        self.loop = Loop(self.parts, state, rules, threading.Event(), threading.Event())
        self.worker = DeliveryWorker(
            self.store, self.sink, clock, logging.getLogger("test"), rules=RetryRules(), jitter=lambda: 1.0,
            holds=partial(self.loop.holds, "phone"),
        )  # fmt: skip

    def play(self, seconds, *, bird=False):
        self.bird = bird
        end_s = self.clock.now().mono_s + seconds
        while self.clock.now().mono_s < end_s:
            self.loop.tick()
            self.clock.advance(0.05)
        while self.worker.tick() == 0.0:
            pass
        return self

    def visit(self):
        return self.play(12, bird=True).play(20)

    def sent(self, kind):
        return [alert.text for alert, _ in self.sink.received if alert.kind == kind]

    def outcomes(self):
        start = self.clock.now().wall - timedelta(days=2)
        return [each.outcome for each in self.store.visits_between(start, self.clock.now().wall)]


@pytest.fixture
def box(tmp_path):
    """A function that begins a run; the run before it is closed."""
    clock, stacks = FakeClock(), []

    def begin(**more):
        if stacks:
            stacks.pop().close()
        stacks.append(ExitStack())
        return Garden(stacks[0], tmp_path / "state", clock, **more)

    yield begin
    stacks.pop().close()


def test_nobody_comes_and_then_somebody_does(box):
    garden = box().play(1700)
    assert garden.sent("absence") == []
    garden.play(200)
    assert garden.sent("absence") == ["No bird has come to Alder Row in 0.5 h of watching."]
    garden.play(600).visit()
    assert garden.sent("absence")[1:] == ["After 42 min: a bird, species not sure, has come."]
    assert garden.outcomes() == [Outcome.TELL]
    assert len(garden.sent("visit")) == 1
    garden.visit()
    assert len(garden.sent("absence")) == 2


def test_a_restart_neither_forgets_nor_repeats(box):
    garden = box().play(1000)
    garden.loop.finish()
    garden = box(boot="b2").play(700)
    assert garden.sent("absence") == []
    garden.play(200)
    assert len(garden.sent("absence")) == 1
    garden.loop.finish()
    garden = box(boot="b3").play(2400)
    assert garden.sent("absence") == []
    garden.visit()
    assert len(garden.sent("absence")) == 1


def test_a_state_that_makes_no_sense_is_begun_again(box, caplog):
    garden = box().play(100)
    garden.store.save_state("absences", b'{"version": 1, "waits": 7}')
    garden = box(boot="b2")
    assert "absences start over" in caplog.text
    assert garden.loop.state.absences.waits == {}
    garden.play(1900)
    assert len(garden.sent("absence")) == 1


def test_a_power_cut_between_telling_and_saving_tells_once(box):
    garden = box().play(1000)
    garden.loop._save(garden.clock.now(), thorough=True)
    saved = garden.store.load_state("absences")
    garden.play(900)
    assert len(garden.sent("absence")) == 1
    garden.store.save_state("absences", saved)
    garden = box(boot="b2").play(1900)
    assert garden.sent("absence") == []
    assert "told, and not over" in absences(garden)


def absences(garden):
    out = io.StringIO()
    assert why(garden.folder, "absences", out, garden.policy.place.zone) == 0
    return out.getvalue()


def test_why_says_how_absences_stand(box):
    garden = box()
    assert absences(garden).startswith("No absence is waited for")
    garden.play(1900)
    garden.loop._save(garden.clock.now(), thorough=True)
    first, second = absences(garden).splitlines()
    assert first.startswith("no bird for half an hour: told, and not over; watched for 31 min")
    assert second.endswith("phone: sent: No bird has come to Alder Row in 0.5 h of watching.")


def box_message(garden, number, *, urgent=False):
    wall = garden.clock.now().wall
    garden.store.add_alert(
        Alert(f"message-{number}", "box", wall, True, "The box", "Well.", ("phone",), urgent=urgent)
    )


def test_a_mute_holds_what_waits_and_ends_by_itself(box, caplog):
    caplog.set_level(logging.INFO)
    garden = box().play(70).visit()
    assert garden.outcomes() == [Outcome.TELL]
    box_message(garden, 1)
    muting.mute(garden.folder, "45min", garden.policy, garden.clock.now().wall)
    garden.loop.hear_the_mute(garden.clock.now())
    assert garden.loop.status().startswith("watching, muted until 15:4")
    box_message(garden, 2, urgent=True)
    garden.play(60).visit()
    assert garden.outcomes() == [Outcome.TELL, Outcome.HOLD]
    assert garden.sent("box") == ["Well."]  # the urgent one; the other was on its way and waits
    garden.play(1900)
    assert garden.sent("absence") == []
    garden.play(900)
    assert len(garden.sent("box")) == 2
    assert len(garden.sent("absence")) == 1
    assert len(garden.sent("visit")) == 1  # the visit that was held is the summary's
    assert "muted" not in garden.loop.status()
    assert 'holds="muted until 15:4' in caplog.text
    assert "neither a pause nor a mute" in caplog.text


def test_a_mute_outlasts_a_restart_and_is_ended_early(box):
    garden = box().play(70)
    muting.mute(garden.folder, "tomorrow", garden.policy, garden.clock.now().wall)
    garden = box(boot="b2")
    garden.loop.hear_the_mute(garden.clock.now())
    garden.play(70).visit()
    assert garden.outcomes() == [Outcome.HOLD]
    assert muting.end(garden.folder, garden.clock.now().wall)
    assert not muting.end(garden.folder, garden.clock.now().wall)
    garden.play(70).visit()
    assert garden.outcomes() == [Outcome.HOLD, Outcome.TELL]


def test_a_pause_holds_visits_and_the_summary_says_so(box):
    pause = '[[pause]]\nname = "away"\ndates = { from = "14 Jun", to = "14 Jun" }\n'
    policy = POLICY.replace('at = "never"', 'at = "15:10"') + pause
    garden = box(policy=policy).play(70).visit().play(700)
    assert garden.outcomes() == [Outcome.HOLD]
    assert garden.sent("summary") == []
    garden.clock.advance(9 * 3600)
    garden.play(70)
    assert garden.sent("summary") == ["Bird, species not sure: at 15:01 (1 held by a pause or a mute)"]
    assert garden.loop.hush(garden.clock.now()) == ""


def test_the_health_message_says_it(box):
    garden = box().play(70)
    muting.mute(garden.folder, "2h", garden.policy, garden.clock.now().wall)
    garden.play(70)
    hush = garden.loop.hush(garden.clock.now())
    text = status_text(garden.parts, "watching", garden.clock.now(), clock_set=True, hush=hush)
    assert "Only urgent alerts are sent: muted until 17:01." in text
