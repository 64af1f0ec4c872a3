"""Opens a device on a thread of its own and lets go of it, so that a driver that hangs holds up nothing."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Any

from dooryard.camera.picamera_faults import LIBRARY_ERRORS

_log = logging.getLogger(__name__)


class Opening:
    """One attempt. What comes too late is let go of by the thread that got it.

    Parameters
    ----------
    make : opens and starts the device, and returns it; what it raises, `wait` raises
    let_go : closes a device that nobody waits for any more
    """

    def __init__(self, make: Callable[[], Any], let_go: Callable[[Any], None]) -> None:
        self._make, self._let_go = make, let_go
        self._lock = threading.Lock()
        self._given_up = False
        self._device: Any = None
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="camera-open", daemon=True)

    def wait(self, within_s: float) -> Any:
        """Begin, and return the device. Raises `TimeoutError`, or what `make` raised."""
        self._thread.start()
        self._thread.join(within_s)
        with self._lock:
            if self._error is not None:
                raise self._error
            if self._device is None:
                self._given_up = True
                raise TimeoutError
            return self._device

    def hangs(self) -> bool:
        """True while the driver has not come back."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            device = self._make()
        except BaseException as error:  # noqa: BLE001  (handed to `wait`, whatever it is)
            with self._lock:
                self._error = error
                if self._given_up:
                    _log.warning("the camera failed after the wait for it had ended: %s", error)
            return
        with self._lock:
            self._device = None if self._given_up else device
            late = self._given_up
        if late:
            _log.warning("the camera opened too late, nothing waits for it any more: closing it")
            self._let_go(device)


def let_go(device: Any, name: str) -> None:
    """Cancel what is waited for, then close. A step that fails does not keep the next from being tried.

    No `stop` before: it hands the stop to the library's event loop and waits for ever if that has died,
    while `close` ends the loop first and then stops by itself.
    """
    for step in (device.cancel_all_and_flush, device.close):
        try:
            step()
        except LIBRARY_ERRORS as error:
            _log.warning("%s: %s failed: %s", name, step.__name__, error)
