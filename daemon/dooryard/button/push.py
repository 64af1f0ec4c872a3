"""The button's thread: it sleeps until an edge comes or a press has lasted long enough."""

from __future__ import annotations

import queue
import threading
from typing import Any

from dooryard.button import press
from dooryard.button.pins import Pin
from dooryard.button.press import Press, PressSettings, PressState
from dooryard.core.clock import Clock


class PushButton:
    """A button between `pin` (a GPIO number) and ground, by the pin's own pull-up.

    `start`, then `presses` from the main loop, `stop` at the end. `factory` is gpiozero's pin factory;
    None: the board's own.
    """

    def __init__(
        self, pin: int, clock: Clock, settings: PressSettings | None = None, *, factory: Any = None
    ) -> None:
        self._clock = clock
        self._settings = settings or PressSettings()
        self._factory = factory
        self.pin = Pin(f"button on pin {pin}", lambda: self._make(pin))
        self._state: PressState | None = None
        self._edges: queue.SimpleQueue[float] = queue.SimpleQueue()
        self.bell = threading.Event()
        self._stopping = threading.Event()
        self._presses: queue.SimpleQueue[Press] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="button", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """End the thread and let go of the pin. May be called twice."""
        self._stopping.set()
        self.bell.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        self.pin.close()

    def presses(self) -> list[Press]:
        """What was done since the last call, in order."""
        done = []
        while not self._presses.empty():
            done.append(self._presses.get())
        return done

    def down_for_s(self) -> float:
        """Seconds that it has been down: for the survey, and to see a button that is stuck."""
        state = self._state
        return 0.0 if state is None else press.stuck_s(state, self._clock.now().mono_s)

    def tick(self) -> float | None:
        """Take in the edges and the time. Returns the seconds to sleep; None: until an edge comes."""
        now_s = self._clock.now().mono_s
        if not self.pin.open(now_s):
            return self.pin.wait_s(now_s)
        try:
            down = bool(self.pin.device.is_pressed)
        except Exception as error:  # noqa: BLE001  (pin drivers raise classes of their own)
            self._state = None
            self.pin.lost(now_s, error)
            return self.pin.wait_s(now_s)
        if self._state is None:
            self._state = press.begin(now_s, down=down)
        while not self._edges.empty():
            self._state = press.edge(self._state, self._edges.get(), down=down)
        if down != self._state.raw:  # an edge that the driver did not tell of
            self._state = press.edge(self._state, now_s, down=down)
        self._state, done = press.tick(self._state, now_s, self._settings)
        if done is not None:
            self._presses.put(done)
        return press.wait_s(self._state, now_s, self._settings)

    def _make(self, pin: int) -> Any:
        from gpiozero import Button

        device = Button(pin, pull_up=True, bounce_time=None, pin_factory=self._factory)
        device.when_pressed = self._edge
        device.when_released = self._edge
        return device

    def _edge(self) -> None:
        """Called by the pin library on a thread of its own."""
        self._edges.put(self._clock.now().mono_s)
        self.bell.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.bell.clear()  # before looking, so that an edge while looking is not lost
            sleep_s = self.tick()
            if self._stopping.is_set():
                return
            if sleep_s is None:
                self.bell.wait()
            else:
                self._clock.wait(self.bell, sleep_s)
