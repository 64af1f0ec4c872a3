"""Pats the service manager's watchdog while every part is alive, and names the part that is not.

What has stopped answering is said in the log before the manager ends the service. The loop cannot say so of
itself, so a thread looks whether it still turns.
"""

from __future__ import annotations

import logging
import threading

from dooryard.core.clock import Clock
from dooryard.core.log import say
from dooryard.core.records import Moment
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.sensors.poller import SensorPoller
from dooryard.service.systemd import Notifier

NO_FRAME_S = 60.0  # frames are wanted and no trouble was told, and yet none came for so long
NO_TICK_S = 15.0  # one turn of the loop takes longer: half the unit's WatchdogSec
_log = logging.getLogger("dooryard")


class Watchdog:
    """Asked at each turn of the loop. `clock` is real time, whatever the frames' own is."""

    def __init__(
        self, notifier: Notifier, dispatcher: Dispatcher, poller: SensorPoller | None, clock: Clock
    ) -> None:
        self._notifier = notifier
        self._dispatcher = dispatcher
        self._poller = poller
        self._clock = clock
        self._stuck: str | None = None
        self._frames_s = clock.now().mono_s  # when a frame last came, or none was wanted
        self._at: tuple[str, float] | None = None  # what the loop does, and since when
        self._loop_told = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._oversee, name="watch-over", daemon=True)

    def start(self) -> None:
        """Start the thread that looks after the loop."""
        self._thread.start()

    def stop(self) -> None:
        """End it. May be called twice, and without `start`."""
        self._stopping.set()
        self._at = None
        if self._thread.ident is not None:
            self._thread.join(2.0)

    def doing(self, what: str) -> None:
        """The loop begins with `what`; it is named if it does not come back."""
        self._at = what, self._clock.now().mono_s

    def ticked(self, *, frames_well: bool) -> None:
        """One turn is over. `frames_well`: a frame came, or none is wanted, or it was told why."""
        now = self._clock.now()
        if frames_well:
            self._frames_s = now.mono_s
        stuck = self.stuck(now)
        if stuck is None:
            self._notifier.alive(now.mono_s)
        if stuck == self._stuck:
            return
        if stuck is None:
            say(_log, logging.WARNING, "answers again", part=self._stuck)
        else:
            say(_log, logging.CRITICAL, "stuck: the service manager will start the service again", part=stuck)
        self._stuck = stuck

    def stuck(self, now: Moment) -> str | None:
        """The part that has stopped answering, in words; None: all are alive."""
        dispatcher = self._dispatcher.stuck()
        if dispatcher is not None:
            return f"the delivery of {dispatcher!r}"
        if self._poller is not None and not self._poller.alive(now):
            sensor = self._poller.stuck(now)
            return "the sensors' thread, which has ended" if sensor is None else f"the sensor {sensor!r}"
        if now.mono_s - self._frames_s > NO_FRAME_S:
            return f"the frames: none for {now.mono_s - self._frames_s:.0f} s"
        return None

    def look_at_the_loop(self, now: Moment) -> None:
        """Say it, once, when the loop does not come back from what it does."""
        at = self._at
        hangs = at is not None and now.mono_s - at[1] > NO_TICK_S
        if at is not None and hangs and not self._loop_told:
            part = f"the loop, while {at[0]}"
            say(
                _log,
                logging.CRITICAL,
                "stuck: if this goes on, the service manager ends the service",
                part=part,
            )
        self._loop_told = hangs

    def _oversee(self) -> None:
        while not self._stopping.is_set():
            self.look_at_the_loop(self._clock.now())
            self._stopping.wait(NO_TICK_S / 6)
