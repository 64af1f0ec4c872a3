"""Sensors at their own pace, off the frame loop."""

from __future__ import annotations

import logging
import threading

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.records import Moment
from dooryard.sensors.base import Reading, Unit
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.poller import SensorPoller


class Counting(FakeSensor):
    """Notes when it was read."""

    def __init__(self, name: str, every_s: float, script: str = "0:20") -> None:
        super().__init__(name, Unit.CELSIUS, script, every_s=every_s)
        self.times: list[float] = []

    def read(self, now: Moment) -> Reading:
        self.times.append(now.mono_s)
        return super().read(now)


def run_until(poller: SensorPoller, clock: FakeClock, seconds: float) -> None:
    end_s = clock.now().mono_s + seconds
    while clock.now().mono_s < end_s:
        clock.advance(min(poller.tick(), end_s - clock.now().mono_s))


def test_each_is_read_at_its_own_pace():
    clock = FakeClock()
    start_s = clock.now().mono_s
    slow, quick = Counting("slow", 30.0), Counting("quick", 10.0)
    run_until(SensorPoller([slow, quick], clock), clock, 60.0)
    assert [t - start_s for t in slow.times] == [0, 30]
    assert [t - start_s for t in quick.times] == [0, 10, 20, 30, 40, 50]


def test_a_step_of_the_wall_clock_changes_nothing():
    clock = FakeClock()
    one = Counting("one", 10.0)
    poller = SensorPoller([one], clock)
    run_until(poller, clock, 30.0)
    clock.step_wall(-86_400.0)
    run_until(poller, clock, 30.0)
    clock.step_wall(864_000.0)
    run_until(poller, clock, 30.0)
    assert len(one.times) == 9


def test_gone_and_back_are_news_once_each():
    clock = FakeClock()
    poller = SensorPoller([Counting("enclosure", 10.0, "0:20 60:gone 200:25")], clock)
    run_until(poller, clock, 190.0)
    (news,) = poller.news()
    assert (news.gone, news.text) == (True, "the sensor enclosure is gone: the script says so")
    assert poller.gone() == ("enclosure",)
    run_until(poller, clock, 60.0)
    (news,) = poller.news()
    assert (news.gone, news.text) == (False, "the sensor enclosure is back after 2 min: 25.0 °C")
    assert poller.gone() == ()
    assert poller.news() == []


def test_an_old_value_is_no_value():
    clock = FakeClock()
    poller = SensorPoller([Counting("enclosure", 10.0)], clock)
    poller.tick()
    assert poller.latest(clock.now())["enclosure"].value == 20.0
    assert poller.samples(clock.now()) == {"enclosure": (clock.now().mono_s, 20.0)}
    clock.advance(99.0)
    assert poller.latest(clock.now())["enclosure"].value == 20.0
    clock.advance(2.0)
    assert poller.latest(clock.now())["enclosure"].gone == "no reading for 101 s"


class Faulty(FakeSensor):
    def read(self, now: Moment) -> Reading:
        raise ZeroDivisionError("a fault of the program")


def test_a_fault_in_one_does_not_silence_the_others(caplog: pytest.LogCaptureFixture):
    clock = FakeClock()
    poller = SensorPoller([Faulty("bad", Unit.CELSIUS, "0:1"), Counting("good", 10.0)], clock)
    poller.tick()
    latest = poller.latest(clock.now())
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
    poller = SensorPoller([hanging], clock)
    assert not poller.alive(clock.now())  # not started
    poller.start()
    assert hanging.reading.wait(10.0)
    assert poller.alive(clock.now())
    assert poller.stuck(clock.now()) is None
    clock.hand.advance(61.0)
    assert poller.stuck(clock.now()) == "stuck"
    assert not poller.alive(clock.now())
    assert not poller.stop(timeout_s=0.01)
    hanging.go_on.set()
    assert poller.stop(timeout_s=10.0)
    assert poller.latest(clock.now())["stuck"].value == 20.0


def test_the_thread_starts_reads_and_stops(caplog: pytest.LogCaptureFixture):
    caplog.set_level(logging.INFO)
    read = threading.Event()

    class Telling(FakeSensor):
        def read(self, now: Moment) -> Reading:
            read.set()
            return super().read(now)

    poller = SensorPoller([Telling("a", Unit.CELSIUS, "0:gone")], SystemClock())
    poller.start()
    poller.start()  # twice is once
    assert read.wait(10.0)
    assert poller.stop(10.0)
    assert poller.stop(10.0)
    assert [thread for thread in threading.enumerate() if thread.name == "sensors"] == []
    assert 'sensor gone sensor=a what="the sensor a is gone: the script says so"' in caplog.text


def test_no_sensors_need_no_thread():
    poller = SensorPoller([], SystemClock())
    poller.start()
    assert poller.alive(SystemClock().now())
    assert poller.stop()


def test_two_of_one_name_are_refused():
    with pytest.raises(ValueError, match="one name"):
        SensorPoller([Counting("a", 1.0), Counting("a", 1.0)], FakeClock())
