"""Sensors at their own pace, off the frame loop."""

from __future__ import annotations

import logging
import threading

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.records import Moment
from dooryard.sensors.base import Reading, Unit
from dooryard.sensors.desk import SensorDesk
from dooryard.sensors.fake import FakeSensor


class Counting(FakeSensor):
    """Notes when it was read."""

    def __init__(self, name: str, every_s: float, script: str = "0:20") -> None:
        super().__init__(name, Unit.CELSIUS, script, every_s=every_s)
        self.times: list[float] = []

    def read(self, now: Moment) -> Reading:
        self.times.append(now.mono_s)
        return super().read(now)


def run_until(desk: SensorDesk, clock: FakeClock, seconds: float) -> None:
    end_s = clock.now().mono_s + seconds
    while clock.now().mono_s < end_s:
        clock.advance(min(desk.turn(), end_s - clock.now().mono_s))


def test_each_is_read_at_its_own_pace():
    clock = FakeClock()
    start_s = clock.now().mono_s
    slow, quick = Counting("slow", 30.0), Counting("quick", 10.0)
    run_until(SensorDesk([slow, quick], clock), clock, 60.0)
    assert [t - start_s for t in slow.times] == [0, 30]
    assert [t - start_s for t in quick.times] == [0, 10, 20, 30, 40, 50]


def test_a_step_of_the_wall_clock_changes_nothing():
    clock = FakeClock()
    one = Counting("one", 10.0)
    desk = SensorDesk([one], clock)
    run_until(desk, clock, 30.0)
    clock.step_wall(-86_400.0)
    run_until(desk, clock, 30.0)
    clock.step_wall(864_000.0)
    run_until(desk, clock, 30.0)
    assert len(one.times) == 9


def test_gone_and_back_are_news_once_each():
    clock = FakeClock()
    desk = SensorDesk([Counting("enclosure", 10.0, "0:20 60:gone 200:25")], clock)
    run_until(desk, clock, 190.0)
    (news,) = desk.news()
    assert (news.gone, news.text) == (True, "the sensor enclosure is gone: the script says so")
    assert desk.gone() == ("enclosure",)
    run_until(desk, clock, 60.0)
    (news,) = desk.news()
    assert (news.gone, news.text) == (False, "the sensor enclosure is back after 2 min: 25.0 °C")
    assert desk.gone() == ()
    assert desk.news() == []


def test_an_old_value_is_no_value():
    clock = FakeClock()
    desk = SensorDesk([Counting("enclosure", 10.0)], clock)
    desk.turn()
    assert desk.latest(clock.now())["enclosure"].value == 20.0
    assert desk.samples(clock.now()) == {"enclosure": (clock.now().mono_s, 20.0)}
    clock.advance(99.0)
    assert desk.latest(clock.now())["enclosure"].value == 20.0
    clock.advance(2.0)
    assert desk.latest(clock.now())["enclosure"].gone == "no reading for 101 s"


class Faulty(FakeSensor):
    def read(self, now: Moment) -> Reading:
        raise ZeroDivisionError("a fault of the program")


def test_a_fault_in_one_does_not_silence_the_others(caplog: pytest.LogCaptureFixture):
    clock = FakeClock()
    desk = SensorDesk([Faulty("bad", Unit.CELSIUS, "0:1"), Counting("good", 10.0)], clock)
    desk.turn()
    latest = desk.latest(clock.now())
    assert latest["bad"].gone == "a fault of the program: ZeroDivisionError"
    assert latest["good"].value == 20.0
    assert "fault in reading the sensor bad" in caplog.text


class Hanging(FakeSensor):
    """Its read comes back when told to."""

    def __init__(self) -> None:
        super().__init__("stuck", Unit.CELSIUS, "0:20")
        self.reading, self.go_on = threading.Event(), threading.Event()

    def read(self, now: Moment) -> Reading:
        self.reading.set()
        assert self.go_on.wait(10.0)
        return super().read(now)


class Hand(SystemClock):
    """Real waits, and a time that moves by hand."""

    def __init__(self) -> None:
        self.hand = FakeClock()

    def now(self) -> Moment:
        return self.hand.now()


def test_a_read_that_does_not_come_back_is_named_and_ends_the_watchdogs_trust():
    clock, hanging = Hand(), Hanging()
    desk = SensorDesk([hanging], clock)
    assert not desk.alive(clock.now())  # not started
    desk.start()
    assert hanging.reading.wait(10.0)
    assert desk.alive(clock.now())
    assert desk.stuck(clock.now()) is None
    clock.hand.advance(61.0)
    assert desk.stuck(clock.now()) == "stuck"
    assert not desk.alive(clock.now())
    assert not desk.stop(timeout_s=0.01)
    hanging.go_on.set()
    assert desk.stop(timeout_s=10.0)
    assert desk.latest(clock.now())["stuck"].value == 20.0


def test_the_thread_starts_reads_and_stops(caplog: pytest.LogCaptureFixture):
    caplog.set_level(logging.INFO)
    read = threading.Event()

    class Telling(FakeSensor):
        def read(self, now: Moment) -> Reading:
            read.set()
            return super().read(now)

    desk = SensorDesk([Telling("a", Unit.CELSIUS, "0:gone")], SystemClock())
    desk.start()
    desk.start()  # twice is once
    assert read.wait(10.0)
    assert desk.stop(10.0)
    assert desk.stop(10.0)
    assert [thread for thread in threading.enumerate() if thread.name == "sensors"] == []
    assert 'sensor gone sensor=a what="the sensor a is gone: the script says so"' in caplog.text


def test_no_sensors_need_no_thread():
    desk = SensorDesk([], SystemClock())
    desk.start()
    assert desk.alive(SystemClock().now())
    assert desk.stop()


def test_two_of_one_name_are_refused():
    with pytest.raises(ValueError, match="one name"):
        SensorDesk([Counting("a", 1.0), Counting("a", 1.0)], FakeClock())
