"""Opens a pin, again and again while the board is still starting, and tells once when that fails.

At boot the pin device may not be there yet, or not yet belong to the service's group.
"""

from __future__ import annotations

import importlib
import logging
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dooryard.core.log import say

_log = logging.getLogger("dooryard.button")
WAITS_S = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0)
"""Between tries; a minute in all, which is more than a slow board's devices take to appear."""
_ROUNDING_S = 1e-6  # who comes back after exactly `wait_s` must not be sent away again
LATER_S = 60.0  # between tries once it has been told


def chips_fault(devices: Path = Path("/dev")) -> str:
    """Why the pins cannot be reached by lgpio, the driver that the board's packages bring.

    The newest boards have their pins on another chip than older ones have (gpiochip4, by some kernels
    gpiochip0), so each that there is is tried.
    """
    try:
        lgpio = importlib.import_module("lgpio")
    except Exception as error:  # noqa: BLE001  (missing, built for another Python, or its folder not writable)
        return f"lgpio cannot be loaded: {type(error).__name__}: {error}; install python3-lgpio"
    chips = sorted(devices.glob("gpiochip*"))
    if not chips:
        return f"there is no {devices}/gpiochip*: the kernel has no pins, or the service may not see them"
    refused = []
    for chip in chips:
        if not os.access(chip, os.R_OK | os.W_OK):
            refused.append(f"{chip}: not allowed; put the user into group gpio")
            continue
        try:
            lgpio.gpiochip_close(lgpio.gpiochip_open(int(chip.name.removeprefix("gpiochip"))))
        except Exception as error:  # noqa: BLE001  (lgpio.error, a class of its own)
            refused.append(f"{chip}: {error}")
    return "; ".join(refused) or "lgpio itself opens the chips: see what holds the pin"


class Pin:
    """A gpiozero device that is made when it can be.

    `make` makes it and raises what it likes; `what` names it in the log ("button on pin 17"); `cause` says
    why no pin driver does.
    """

    def __init__(self, what: str, make: Callable[[], Any], cause: Callable[[], str] = chips_fault) -> None:
        self.what = what
        self._make = make
        self._cause = cause
        self.device: Any = None
        self._tries = 0
        self._retry_at_s = float("-inf")
        self.fault: str | None = None
        """Why it cannot be used, once all early tries have failed; None while there is hope or it works."""
        self.why: str | None = None
        """Why the last try failed; None: none has."""

    def open(self, now_s: float) -> bool:
        """Try, if it is time to. True when the device is open."""
        if self.device is not None:
            return True
        if now_s < self._retry_at_s - _ROUNDING_S:
            return False
        try:
            self.device = self._make()
        except Exception as error:  # noqa: BLE001  (pin drivers raise classes of their own, such as lgpio.error)
            self._failed(now_s, error)
            return False
        say(_log, logging.INFO, "pin open", what=self.what, tries=self._tries + 1)
        self.fault = None
        return True

    def lost(self, now_s: float, error: Exception) -> None:
        """An open pin failed: let go of it, and try again as at the start."""
        say(_log, logging.WARNING, "pin lost", what=self.what, why=f"{type(error).__name__}: {error}")
        try:
            self.close()
        except Exception as closing:  # noqa: BLE001  (as in `open`; the pin is gone either way)
            say(_log, logging.WARNING, "pin not released", what=self.what, why=str(closing))
        self._tries = 0
        self._failed(now_s, error)

    def wait_s(self, now_s: float) -> float:
        """Seconds until `open` tries again."""
        return max(0.0, self._retry_at_s - now_s)

    def close(self) -> None:
        """Let go of the pin. May be called twice."""
        device, self.device = self.device, None
        if device is not None:
            device.close()

    def _failed(self, now_s: float, error: Exception) -> None:
        self.why = f"{type(error).__name__}: {error}"
        if type(error).__name__ == "BadPinFactory":  # gpiozero's, which says of no driver why it did not do
            self.why += f" ({self._cause()})"
        early = self._tries < len(WAITS_S)
        self._retry_at_s = now_s + (WAITS_S[self._tries] if early else LATER_S)
        self._tries += 1
        if not early and self.fault is None:
            self.fault = self.why
            to_do = "see that the pin is free, that python3-lgpio is installed and the user is in group gpio"
            say(_log, logging.ERROR, "pin cannot be used", what=self.what, why=self.fault, to_do=to_do)
