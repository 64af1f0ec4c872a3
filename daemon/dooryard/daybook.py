"""What the box notes for the journal: when it did not watch and why, and what the gate held back. Edge.

Written seldom, to spare the card: at each change of watching, by the hour, and at the end.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from dooryard.gate import GateState
from dooryard.gate.tally import totals
from dooryard.journal.notebook import Notebook
from dooryard.policy.schema import Policy
from dooryard.records import Held, Moment

_SHORTEST_OFF = timedelta(minutes=2)  # a shorter gap is no time off


class Daybook:
    """`began` at the start, `off` and `on` as watching changes, `note` by the hour and at the end."""

    def __init__(self, folder: Path) -> None:
        self._notebook = Notebook(folder)
        self._off: tuple[datetime, str] | None = None
        self._counted: dict[Held | None, int] = {}

    def began(self, now: Moment, last_frame: datetime | None, gate: GateState | None, policy: Policy) -> None:
        """Note the time since the last run, or of the first day; `gate` is as that run left it."""
        if last_frame is None:
            local = now.wall.astimezone(policy.place.zone)
            midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
            self._notebook.off(midnight, now.wall, "not yet begun")
        elif now.wall - last_frame >= _SHORTEST_OFF:
            self._notebook.off(last_frame, now.wall, "the box was off")
        self._counted = totals(gate.tally) if gate else {}

    def off(self, now: Moment, reason: str) -> None:
        """It stops watching, but not for the watch hours: those the journal knows."""
        if self._off is None:
            self._off = (now.wall, reason)

    def on(self, now: Moment) -> None:
        """It watches again."""
        if self._off is not None and now.wall - self._off[0] >= _SHORTEST_OFF:
            self._notebook.off(self._off[0], now.wall, self._off[1])
        self._off = None

    def note(self, now: Moment, gate: GateState | None, policy: Policy) -> None:
        """Write down what the gate held back since the last time."""
        if gate is None:
            return
        counts, day = totals(gate.tally), now.wall.astimezone(policy.place.zone).date()
        for reason, count in counts.items():
            # Negative when the gate has forgotten its oldest hour; a little is lost then, nothing invented.
            more = count - self._counted.get(reason, 0)
            if reason is not None and more > 0:
                self._notebook.held(day, reason.value, more)
        self._counted = counts

    def close(self) -> None:
        self._notebook.close()
