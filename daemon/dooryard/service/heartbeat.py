"""A request now and then to an address that notices when none comes: somebody else watches the box.

No beat goes out while the box is not well: its silence is the message.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from dooryard.core.clock import Clock
from dooryard.sinks.net import Limits
from dooryard.sinks.post import NoReply, post
from dooryard.sinks.webhook import checked_ca_file, checked_url


class Heartbeat:
    """A thread that beats. `start` it, and `stop` it at the end."""

    def __init__(
        self,
        url: str,
        every_s: float,
        clock: Clock,
        log: logging.Logger,
        *,
        well: Callable[[], bool],
        method: str = "GET",
        ca_file: Path | None = None,
        limits: Limits | None = None,
    ) -> None:
        """`well` is asked before each beat, from the heartbeat's own thread.

        The address is never shown: whoever knows it could beat in the box's place. Raises `SinkError` for
        an address or a file that can't work.
        """
        self._url = checked_url(url, "heartbeat")
        self._every_s = every_s
        self._clock = clock
        self._log = log
        self._well = well
        self._method = method
        self._ca_file = checked_ca_file(ca_file)
        self._limits = limits or Limits()
        self._trouble: str | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End the thread; False when it is still in a request after `timeout_s`. May be called twice."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def beat(self) -> str:
        """One beat, if the box is well. Returns how it went, in words; says it in the log when it changes."""
        trouble = self._trouble_now()
        if trouble != self._trouble:
            if trouble is None:
                self._log.info("heartbeat: heard again")
            else:
                self._log.warning("heartbeat: %s", trouble)
        self._trouble = trouble
        return trouble or "heard"

    def _trouble_now(self) -> str | None:
        if not self._well():
            return "held back, as the box is not well"
        reply = post(
            self._url, None, {"User-Agent": "dooryard"}, self._limits, self._ca_file, method=self._method
        )
        if isinstance(reply, NoReply):
            return reply.text
        return None if 200 <= reply.status < 300 else f"answered with HTTP {reply.status}"

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.beat()
            except Exception:  # noqa: BLE001  (a fault of this program must not end the heartbeat for good)
                # Without the error's text: it may name the address.
                self._log.error("heartbeat: fault in a beat")
            self._clock.wait(self._stopping, self._every_s)
