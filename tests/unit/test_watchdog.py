"""The watchdog is patted while all are alive; whoever is not is named before the end."""

from __future__ import annotations

import logging
import threading

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.outbox.dispatcher import STUCK_AFTER_S, Dispatcher
from dooryard.outbox.store import Store
from dooryard.sensors.base import Unit
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.poller import SensorPoller
from dooryard.service.systemd import Notifier
from dooryard.service.watchdog import NO_FRAME_S, NO_TICK_S, Watchdog
from dooryard.sinks.memory import MemorySink
from unit.outbox.builders import alert


class Pats(Notifier):
    def __init__(self):
        super().__init__({})
        self.count = 0

    def alive(self, mono_s):
        self.count += 1


class Hand(SystemClock):
    """Real waits, and a time that moves by hand."""

    def __init__(self):
        self.hand = FakeClock()

    def now(self):
        return self.hand.now()


class Alive:
    """A delivery, or a desk, that is well unless told otherwise."""

    def __init__(self, part=None):
        self.part = part

    def stuck(self, _now=None):
        return self.part

    def alive(self, _now):
        return self.part is None


class Ended(Alive):
    def alive(self, _now):
        return False


def watched(clock, dispatcher=None, poller=None):
    pats = Pats()
    return Watchdog(pats, dispatcher or Alive(), poller, clock), pats


def stuck_parts(caplog):
    return [record.getMessage() for record in caplog.records if record.levelno == logging.CRITICAL]


def test_it_is_patted_while_all_are_alive(caplog):
    watchdog, pats = watched(FakeClock(), poller=Alive())
    for _ in range(3):
        watchdog.ticked(frames_well=True)
    assert pats.count == 3
    assert stuck_parts(caplog) == []


class HangingSink(MemorySink):
    def __init__(self, name):
        super().__init__(name)
        self.sending, self.go_on = threading.Event(), threading.Event()

    def send(self, alert, picture):
        self.sending.set()
        assert self.go_on.wait(10.0)
        return super().send(alert, picture)


def test_a_delivery_that_hangs_is_named_once_and_again_when_it_answers(tmp_path, caplog):
    """With the real delivery: its thread, and a sink that does not come back from a send."""
    caplog.set_level(logging.INFO)
    clock, sink = Hand(), HangingSink("phone")
    store = Store.open(tmp_path / "state", clock)
    store.add_alert(alert(1))
    dispatcher = Dispatcher(store, [MemorySink("post"), sink], clock, logging.getLogger("test"))
    watchdog, pats = watched(clock, dispatcher)
    dispatcher.start()
    assert sink.sending.wait(10.0)
    watchdog.ticked(frames_well=True)
    clock.hand.advance(STUCK_AFTER_S + 1.0)
    for _ in range(3):
        watchdog.ticked(frames_well=True)
    assert pats.count == 1
    (told,) = stuck_parts(caplog)
    assert "part=\"the delivery of 'phone'\"" in told
    sink.go_on.set()
    assert dispatcher.drain(10.0)
    watchdog.ticked(frames_well=True)
    assert pats.count == 2
    assert "answers again part=\"the delivery of 'phone'\"" in caplog.text
    dispatcher.stop()
    store.close()


def test_a_delivery_whose_thread_has_ended_is_named(tmp_path):
    store = Store.open(tmp_path / "state", FakeClock())
    dispatcher = Dispatcher(store, [MemorySink("phone")], SystemClock(), logging.getLogger("test"))
    dispatcher.start()
    assert dispatcher.stuck() is None
    dispatcher.stop()
    assert dispatcher.stuck() == "phone"
    store.close()


class HangingSensor(FakeSensor):
    def __init__(self):
        super().__init__("box", Unit.CELSIUS, "0:20")
        self.reading, self.go_on = threading.Event(), threading.Event()

    def read(self, now):
        self.reading.set()
        assert self.go_on.wait(10.0)
        return super().read(now)


def test_a_sensor_that_hangs_is_named(caplog):
    """With the real desk and its thread."""
    clock, sensor = Hand(), HangingSensor()
    poller = SensorPoller([sensor], clock)
    poller.start()
    assert sensor.reading.wait(10.0)
    watchdog, pats = watched(clock, poller=poller)
    watchdog.ticked(frames_well=True)
    clock.hand.advance(61.0)
    watchdog.ticked(frames_well=True)
    assert pats.count == 1
    (told,) = stuck_parts(caplog)
    assert "part=\"the sensor 'box'\"" in told
    sensor.go_on.set()
    assert poller.stop(10.0)


def test_the_sensors_thread_that_has_ended_is_named(caplog):
    watchdog, pats = watched(FakeClock(), poller=Ended())
    watchdog.ticked(frames_well=True)
    assert pats.count == 0
    assert "the sensors' thread, which has ended" in stuck_parts(caplog)[0]


def test_frames_that_stay_away_without_a_word_are_named(caplog):
    clock = FakeClock()
    watchdog, pats = watched(clock)
    clock.advance(NO_FRAME_S - 1.0)
    watchdog.ticked(frames_well=False)
    assert pats.count == 1
    clock.advance(2.0)
    watchdog.ticked(frames_well=False)
    assert pats.count == 1
    assert "the frames: none for 61 s" in stuck_parts(caplog)[0]
    watchdog.ticked(frames_well=True)
    assert pats.count == 2


def test_a_loop_that_does_not_come_back_is_named_once_with_what_it_does(caplog):
    clock = FakeClock()
    watchdog, _pats = watched(clock)
    watchdog.doing("a frame is read")
    watchdog.look_at_the_loop(clock.advance(NO_TICK_S - 1.0))
    assert stuck_parts(caplog) == []
    for _ in range(3):
        watchdog.look_at_the_loop(clock.advance(2.0))
    (told,) = stuck_parts(caplog)
    assert "the loop, while a frame is read" in told
    watchdog.doing("a frame is worked on")
    watchdog.look_at_the_loop(clock.now())
    watchdog.look_at_the_loop(clock.advance(NO_TICK_S + 1.0))
    assert len(stuck_parts(caplog)) == 2
    watchdog.stop()
    watchdog.look_at_the_loop(clock.advance(NO_TICK_S + 1.0))
    assert len(stuck_parts(caplog)) == 2


def test_the_watching_thread_sees_it_and_ends(monkeypatch, caplog):
    monkeypatch.setattr("dooryard.service.watchdog.NO_TICK_S", 0.001)
    watchdog, _pats = watched(SystemClock())
    seen = threading.Event()
    monkeypatch.setattr("dooryard.service.watchdog.say", lambda *_words, **_values: seen.set())
    watchdog.doing("a frame is read")
    watchdog.start()
    assert seen.wait(10.0)
    watchdog.stop()
    watchdog.stop()
    assert not watchdog._thread.is_alive()


def test_half_the_service_managers_patience_is_left_for_the_log():
    """`WatchdogSec` as the unit has it: the loop must be named before the end."""
    from pathlib import Path

    unit = Path(__file__).parents[2] / "systemd/dooryard.service"
    (line,) = [line for line in unit.read_text().splitlines() if line.startswith("WatchdogSec=")]
    patience_s = float(line.removeprefix("WatchdogSec=").removesuffix("s"))
    pat_before_s, looks_every_s = patience_s / 4, NO_TICK_S / 6
    assert NO_TICK_S + looks_every_s < patience_s - pat_before_s


@pytest.mark.parametrize("poller", [None, Alive()])
def test_without_a_board_there_may_be_no_sensors(poller):
    watchdog, pats = watched(FakeClock(), poller=poller)
    watchdog.ticked(frames_well=True)
    assert pats.count == 1
