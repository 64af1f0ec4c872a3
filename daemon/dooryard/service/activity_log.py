"""What the box notes for the journal: when it did not watch, how warm it was, what the gate held. Edge.

Written seldom, to spare the card: at each change of watching, temperatures every ten minutes (the lowest and
the highest of each sensor), the rest by the hour and at the end.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from dooryard.core.errors import StoreError
from dooryard.core.log import say
from dooryard.core.records import Moment, RejectReason
from dooryard.gate import GateState
from dooryard.gate.tally import totals
from dooryard.history.database import AnnotationDatabase
from dooryard.policy.schema import Policy
from dooryard.service.store_errors import log_store_errors

_log = logging.getLogger("dooryard")
_SHORTEST_OFF = timedelta(minutes=2)  # a shorter gap is no time off
_WARMTH_EVERY_S = 600.0
_SAME_C = 0.05  # closer than this, lowest and highest are one

_Warm = tuple[float, datetime]  # °C and when


class ActivityLog:
    """`began` at the start, `off` and `on` as watching changes, `note` by the hour and at the end."""

    def __init__(self, folder: Path) -> None:
        self._database = AnnotationDatabase(folder, mend=True)
        self._off = False
        self._counted: dict[RejectReason | None, int] = {}
        self._warmth: dict[str, tuple[_Warm, _Warm]] = {}  # sensor -> its lowest and its highest since
        self._warmth_due_s = -math.inf

    def began(self, now: Moment, last_frame: datetime | None, gate: GateState | None, policy: Policy) -> None:
        """Note the time since the last run, or of the first day; `gate` is as that run left it."""
        if last_frame is not None:
            self._database.off_over(last_frame)  # the last run ended during it
        if last_frame is None:
            local = now.wall.astimezone(policy.place.zone)
            midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
            self._database.off(midnight, now.wall, "not yet begun")
        elif now.wall - last_frame >= _SHORTEST_OFF:
            self._database.off(last_frame, now.wall, "the box was off")
        self._counted = totals(gate.tally) if gate else {}

    @log_store_errors
    def off(self, now: Moment, reason: str) -> None:
        """It stops watching, but not for the watch hours: those the journal knows."""
        if not self._off:
            self._off = True
            self._database.off_since(now.wall, reason)

    @log_store_errors
    def on(self, now: Moment) -> None:
        """It watches again."""
        if self._off:
            self._off = False
            self._database.off_over(now.wall, _SHORTEST_OFF)

    @log_store_errors
    def warmth(self, temps_c: Iterable[tuple[str, float]], now: Moment) -> None:
        """Take in what sensors said, °C; written down every ten minutes, with the times of both ends."""
        for sensor, temp_c in temps_c:
            here = (temp_c, now.wall)
            low, high = self._warmth.get(sensor, (here, here))
            self._warmth[sensor] = (min(low, here), max(high, here))
        if now.mono_s < self._warmth_due_s or not self._warmth:
            return
        self._warmth_due_s = now.mono_s + _WARMTH_EVERY_S
        rows = []
        for sensor, (low, high) in self._warmth.items():
            ends = [low] if high[0] - low[0] < _SAME_C else [low, high]
            rows += [(wall, sensor, temp_c) for temp_c, wall in ends]
        self._warmth = {}
        self._database.readings(rows)

    def note(self, now: Moment, gate: GateState | None, policy: Policy) -> None:
        """Write down what the gate held back since the last time."""
        if gate is None:
            return
        counts, day = totals(gate.tally), now.wall.astimezone(policy.place.zone).date()
        for reason, count in counts.items():
            # Negative when the gate has forgotten its oldest hour; a little is lost then, nothing invented.
            more = count - self._counted.get(reason, 0)
            if reason is not None and more > 0:
                self._database.held(day, reason.value, more)
        self._counted = counts

    def muted_until(self, known: datetime | None) -> datetime | None:
        """When the mute ends that somebody asked for; `known` where the notes cannot be read."""
        try:
            return self._database.muted_until()
        except StoreError as error:
            say(_log, logging.ERROR, "whether it is muted cannot be read", why=error.what, to_do=error.remedy)
            return known

    def look_after_file(self, now: Moment) -> None:
        """Notice that the notes' file was deleted while it is open, and write it again; see `news`."""
        self._database.look_after_file(now.wall)

    def news(self) -> list[str]:
        """What was found damaged, once."""
        found, self._database.damages = self._database.damages, []
        return found

    def close(self) -> None:
        self._database.close()
