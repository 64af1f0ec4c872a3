"""Telling the service manager: ready, alive, what is going on, stopping.

The protocol is one datagram to the socket named in NOTIFY_SOCKET (sd_notify(3)). It is thirty lines,
and the packages for it are either unmaintained or need a C library; so it stands here.
"""

from __future__ import annotations

import logging
import socket
from collections.abc import Mapping

from dooryard.core.log import say

_START_STEP_S = 180.0  # the longest that one step of the start may take on the slowest board
_log = logging.getLogger("dooryard.service.systemd")


class Notifier:
    """Sends notifications; does nothing when there is no service manager to hear them."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        microseconds = environ.get("WATCHDOG_USEC", "")
        self.watchdog_s = int(microseconds) / 1e6 if microseconds.isdigit() else None
        self._last_pat_s = -1e18
        self.dropped = 0  # messages that nobody took

    def ready(self, status: str) -> None:
        self._send(f"READY=1\nSTATUS={status}")

    def starting(self, what: str) -> None:
        """The start gets on: say with what, and ask for time. A slow board needs more than one that hangs."""
        self._send(f"STATUS=starting: {what}\nEXTEND_TIMEOUT_USEC={round(_START_STEP_S * 1e6)}")

    def status(self, text: str) -> None:
        self._send(f"STATUS={text}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def allow(self, seconds: float) -> None:
        """Ask for that much time before the manager thinks that something hangs: a halt takes its time."""
        microseconds = round(seconds * 1e6)
        self._send(f"WATCHDOG_USEC={microseconds}\nWATCHDOG=1\nEXTEND_TIMEOUT_USEC={microseconds}")

    def alive(self, mono_s: float) -> None:
        """Pat the watchdog, at most four times per period."""
        if self.watchdog_s is not None and mono_s - self._last_pat_s >= self.watchdog_s / 4:
            self._last_pat_s = mono_s
            self._send("WATCHDOG=1")

    def _send(self, message: str) -> None:
        """Send, or let it be: a manager that does not listen must not hold up the watch."""
        if not self._address:
            return
        path = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.settimeout(0.2)
            try:
                out.sendto(message.replace("\0", " ").encode(), path)
            except OSError as error:
                self.dropped += 1
                say(_log, logging.DEBUG, "service manager does not listen", why=error)
