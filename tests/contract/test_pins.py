"""Button and lamp on gpiozero's pins: its own mock factory here, a board's on a board.

On a board (`pytest --hardware`, or DOORYARD_HARDWARE=1) its own pins are opened, read, switched and let go
of: those in DOORYARD_BUTTON_PIN and DOORYARD_LAMP_PIN, or the sample box file's. A press is asked for by
`dooryard survey`, not here.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from dooryard.button.lamp import Lamp
from dooryard.button.patterns import Shows
from dooryard.button.pins import LATER_S, WAITS_S, Pin, chips_fault
from dooryard.button.press import Press, PressSettings
from dooryard.button.push import PushButton
from dooryard.core.clock import FakeClock, SystemClock

BUTTON, LAMP = 17, 27


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    made = MockFactory()
    yield made
    made.close()


def pass_time(button: PushButton, clock: FakeClock, seconds: float) -> None:
    """As the thread would: wake when asked to."""
    end_s = clock.now().mono_s + seconds
    while True:
        sleep_s = button.tick()
        left_s = end_s - clock.now().mono_s
        if sleep_s is None or sleep_s >= left_s:
            clock.advance(left_s)
            button.tick()
            return
        clock.advance(sleep_s)


def test_a_press_by_the_pin(factory: MockFactory):
    clock = FakeClock()
    button = PushButton(BUTTON, clock, factory=factory)
    pass_time(button, clock, 1.0)
    pin = factory.pin(BUTTON)
    pin.drive_low()
    pass_time(button, clock, 0.4)
    pin.drive_high()
    pass_time(button, clock, 0.4)
    assert button.presses() == [Press.SHORT]
    assert button.presses() == []
    pin.drive_low()
    pass_time(button, clock, 2.9)
    assert button.presses() == []
    assert button.down_for_s() == pytest.approx(2.9)
    pass_time(button, clock, 0.2)
    assert button.presses() == [Press.HELD]
    pin.drive_high()
    pass_time(button, clock, 1.0)
    assert button.presses() == []
    button.stop()


def test_bounce_is_ours_to_remove(factory: MockFactory):
    """gpiozero's mock pins pass every edge on, whatever `bounce_time` says."""
    clock = FakeClock()
    button = PushButton(BUTTON, clock, factory=factory)
    button.tick()
    pin = factory.pin(BUTTON)
    for end in (pin.drive_low, pin.drive_high):
        for other in (pin.drive_high, pin.drive_low, pin.drive_high, pin.drive_low):
            other()
            pass_time(button, clock, 0.004)
        end()
        pass_time(button, clock, 0.3)
    assert button.presses() == [Press.SHORT]
    button.stop()


def test_the_pin_pulls_itself_up(factory: MockFactory):
    button = PushButton(BUTTON, FakeClock(), factory=factory)
    button.tick()
    assert factory.pin(BUTTON).pull == "up"
    assert factory.pin(BUTTON).function == "input"
    button.stop()


def test_stopping_lets_go_of_the_pin(factory: MockFactory):
    for _ in range(2):
        button = PushButton(BUTTON, FakeClock(), factory=factory)
        button.tick()
        button.stop()
        button.stop()


def test_the_buttons_thread_hears_a_press_and_ends(factory: MockFactory):
    """With real time and real threads; the mock pin calls back as the board's driver does."""
    heard = threading.Event()

    class Telling(PushButton):
        def tick(self) -> float | None:
            sleep_s = super().tick()
            if not self._presses.empty():
                heard.set()
            opened.set()
            return sleep_s

    opened = threading.Event()
    button = Telling(BUTTON, SystemClock(), PressSettings(settle_s=0.005, hold_s=0.05), factory=factory)
    button.start()
    assert opened.wait(10.0)
    factory.pin(BUTTON).drive_low()
    assert heard.wait(10.0)
    assert button.presses() == [Press.HELD]
    button.stop()
    assert "button" not in {thread.name for thread in threading.enumerate()}


def test_the_lamp_blinks_by_its_pattern(factory: MockFactory):
    clock = FakeClock()
    lamp = Lamp(LAMP, clock, factory=factory)
    lamp.show(Shows.HOT)
    seen = []
    for _ in range(4):
        sleep_s = lamp.tick()
        seen.append((factory.pin(LAMP).state, round(sleep_s, 6)))
        clock.advance(sleep_s)
    assert seen == [(1, 1.0), (0, 1.0), (1, 1.0), (0, 1.0)]
    lamp.show(Shows.SEEING)
    lamp.tick()
    pin = factory.pin(LAMP)
    assert pin.state == 1
    levels = [level for _, level in pin.states]
    lamp.stop()
    assert [level for _, level in pin.states][len(levels) :][0] == 0  # dark before it is let go of
    lamp.stop()


def test_the_lamps_thread_changes_at_once_and_ends(factory: MockFactory):
    lit = threading.Event()

    class Telling(Lamp):
        def tick(self) -> float:
            sleep_s = super().tick()
            if self.pin.device.is_lit:
                lit.set()
            return sleep_s

    lamp = Telling(LAMP, SystemClock(), factory=factory)
    lamp.show(Shows.DARK)
    lamp.start()
    lamp.show(Shows.SEEING)
    assert lit.wait(10.0)
    lamp.stop()
    assert "lamp" not in {thread.name for thread in threading.enumerate()}


class Failing:
    """Makes a device after so many failures."""

    def __init__(self, failures: int) -> None:
        self.failures, self.tries = failures, 0

    def __call__(self) -> Any:
        self.tries += 1
        if self.tries <= self.failures:
            raise LgpioError("can not open gpiochip")
        return object()


class LgpioError(Exception):
    """Like lgpio.error: derived from Exception alone."""


def test_a_pin_that_is_not_there_yet_is_tried_again_without_a_word(caplog: pytest.LogCaptureFixture):
    make, clock = Failing(3), FakeClock()
    pin = Pin("button on pin 17", make)
    while not pin.open(clock.now().mono_s):
        clock.advance(pin.wait_s(clock.now().mono_s))
    assert make.tries == 4
    assert pin.fault is None
    assert not [record for record in caplog.records if record.levelno >= logging.WARNING]


def test_a_pin_that_stays_away_is_told_once_and_tried_on(caplog: pytest.LogCaptureFixture):
    make, clock = Failing(12), FakeClock()
    start_s = clock.now().mono_s
    pin = Pin("button on pin 17", make)
    told_after_s = None
    while not pin.open(clock.now().mono_s):
        if pin.fault and told_after_s is None:
            told_after_s = clock.now().mono_s - start_s
        clock.advance(pin.wait_s(clock.now().mono_s))
    assert told_after_s == sum(WAITS_S)
    assert clock.now().mono_s - start_s == sum(WAITS_S) + (12 - len(WAITS_S)) * LATER_S
    assert caplog.text.count("pin cannot be used") == 1
    assert 'why="LgpioError: can not open gpiochip"' in caplog.text
    assert pin.fault is None  # it works again


class Broken:
    """A device whose driver has gone away."""

    @property
    def is_pressed(self) -> bool:
        raise LgpioError("bad handle")

    def close(self) -> None:
        raise LgpioError("bad handle")


def test_a_pin_that_fails_while_it_is_open_is_opened_again(
    factory: MockFactory, caplog: pytest.LogCaptureFixture
):
    clock = FakeClock()
    button = PushButton(BUTTON, clock, factory=factory)
    button.tick()
    button.pin.device.close()
    button.pin.device = Broken()
    clock.advance(button.tick() or 0.0)
    assert "pin lost" in caplog.text
    pass_time(button, clock, 1.0)
    factory.pin(BUTTON).drive_low()
    pass_time(button, clock, 0.2)
    factory.pin(BUTTON).drive_high()
    pass_time(button, clock, 0.2)
    assert button.presses() == [Press.SHORT]
    button.stop()


def test_a_lamp_that_fails_is_opened_again(factory: MockFactory):
    clock = FakeClock()
    lamp = Lamp(LAMP, clock, factory=factory)
    lamp.show(Shows.SEEING)
    lamp.tick()
    lamp.pin.device.close()
    clock.advance(lamp.tick())  # gpiozero raises GPIODeviceClosed
    lamp.tick()
    assert factory.pin(LAMP).state == 1
    lamp.stop()


def test_before_its_time_it_is_not_tried():
    make = Failing(9)
    pin = Pin("lamp on pin 27", make)
    assert not pin.open(0.0)
    assert not pin.open(0.4)
    assert make.tries == 1


def test_two_on_one_pin_is_a_fault_of_the_box_file_that_is_told(factory: MockFactory):
    clock = FakeClock()
    first, second = PushButton(5, clock, factory=factory), Lamp(5, clock, factory=factory)
    first.tick()
    for _ in range(len(WAITS_S) + 1):
        clock.advance(second.tick())
    assert second.pin.fault is not None
    assert "5 is already in use" in second.pin.fault  # 1.6.2: "pin 5"; 2.0: "pin GPIO5"
    first.stop()
    second.stop()


@pytest.fixture(params=["mock", pytest.param("board", marks=pytest.mark.board)])
def pins(request: pytest.FixtureRequest, on_a_board: bool) -> dict[str, Any]:
    """Whose pins they are, and the numbers of the button's and the lamp's."""
    if request.param == "mock":
        made = request.getfixturevalue("factory")
        return {"factory": made, "button": BUTTON, "lamp": LAMP}
    if not on_a_board:
        pytest.skip("no board: real pins are NOT tried (--hardware says that there is one)")
    numbers = (os.environ.get("DOORYARD_BUTTON_PIN", BUTTON), os.environ.get("DOORYARD_LAMP_PIN", LAMP))
    return {"factory": None, "button": int(numbers[0]), "lamp": int(numbers[1])}


def test_a_button_that_nobody_presses_is_open_and_up_and_lets_go_of_its_pin(pins: dict[str, Any]):
    for _ in range(2):
        clock = FakeClock()
        button = PushButton(pins["button"], clock, factory=pins["factory"])
        pass_time(button, clock, 5.0)
        assert button.pin.device is not None
        assert button.down_for_s() == 0.0
        assert button.presses() == []
        button.stop()


@pytest.mark.parametrize("shows", Shows)
def test_a_lamp_shows_what_it_is_told_to_and_lets_go_of_its_pin(pins: dict[str, Any], shows: Shows):
    clock = FakeClock()
    lamp = Lamp(pins["lamp"], clock, factory=pins["factory"])
    lamp.show(shows)
    for _ in range(20):
        clock.advance(lamp.tick() or 1.0)
    assert lamp.pin.fault is None
    assert lamp.pin.device is not None
    lamp.stop()


class Refusing:
    """An lgpio that is there and opens no chip."""

    @staticmethod
    def gpiochip_open(number: int) -> int:
        raise RuntimeError("can not open gpiochip")

    @staticmethod
    def gpiochip_close(handle: int) -> None:
        raise AssertionError("nothing was opened")


def test_the_cause_is_in_the_message(tmp_path, monkeypatch):
    """gpiozero itself says no more than that it has no driver."""
    monkeypatch.setitem(sys.modules, "lgpio", None)
    assert "install python3-lgpio" in chips_fault(tmp_path)
    monkeypatch.setitem(sys.modules, "lgpio", Refusing)
    assert "there is no" in chips_fault(tmp_path)
    (tmp_path / "gpiochip4").touch()  # where the newest boards have their pins
    assert chips_fault(tmp_path) == f"{tmp_path}/gpiochip4: can not open gpiochip"
    monkeypatch.setattr("os.access", lambda *_given: False)
    assert chips_fault(tmp_path) == f"{tmp_path}/gpiochip4: not allowed; put the user into group gpio"


def test_no_driver_is_told_with_its_cause():
    class BadPinFactory(Exception):  # noqa: N818  (gpiozero's own name)
        pass

    def make() -> None:
        raise BadPinFactory("Unable to load any default pin factory!")

    pin = Pin("lamp on pin 27", make, lambda: "no chip")
    assert not pin.open(0.0)
    assert pin.why == "BadPinFactory: Unable to load any default pin factory! (no chip)"
