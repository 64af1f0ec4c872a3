"""The lamp's thread: it sleeps from one change of the light to the next."""

from __future__ import annotations

import threading
from typing import Any

from dooryard.button.patterns import Shows, light
from dooryard.button.pins import Pin
from dooryard.core.clock import Clock


class Lamp:
    """A lamp on `pin` (a GPIO number), lit when the pin is high. `factory`: as for the button."""

    def __init__(self, pin: int, clock: Clock, *, factory: Any = None) -> None:
        self._clock = clock
        self._factory = factory
        self.pin = Pin(f"lamp on pin {pin}", lambda: self._make(pin))
        self._shows = Shows.RUNNING
        self._since_s = clock.now().mono_s
        self._bell = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="lamp", daemon=True)
        self._thread.start()

    def show(self, shows: Shows) -> None:
        """Show `shows` from now on. Cheap: call it as often as you like."""
        if shows is not self._shows:
            self._shows, self._since_s = shows, self._clock.now().mono_s
            self._bell.set()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Dark, and let go of the pin. May be called twice."""
        self._stopping.set()
        self._bell.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        if self.pin.device is not None:
            self.pin.device.off()
        self.pin.close()

    def tick(self) -> float:
        """Light or darken the lamp. Returns the seconds until the next change."""
        now_s = self._clock.now().mono_s
        if not self.pin.open(now_s):
            return self.pin.wait_s(now_s)
        at_present = light(self._shows, now_s - self._since_s)
        try:
            self.pin.device.value = int(at_present.lit)
        except Exception as error:  # noqa: BLE001  (pin drivers raise classes of their own)
            self.pin.lost(now_s, error)
            return self.pin.wait_s(now_s)
        return at_present.for_s

    def _make(self, pin: int) -> Any:
        from gpiozero import LED

        return LED(pin, pin_factory=self._factory)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._bell.clear()
            sleep_s = self.tick()
            if not self._stopping.is_set():
                self._clock.wait(self._bell, sleep_s)
