"""A box whose sinks are real workers on a real store, and a phone that is away for a while.

The clock is a fake, and nothing waits: `play` goes on to when something is next due.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import FakeClock
from dooryard.core.records import Alert, Moment
from dooryard.outbox.schedule import Instead, RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.policy.decide import decide
from dooryard.policy.holding import held_back
from dooryard.policy.say import alert_for
from dooryard.policy.schema import Policy
from dooryard.policy.sink_hours import as_for, instead_of
from dooryard.policy.state import PolicyState
from dooryard.sinks.base import SendOutcome, SendResult
from fakes.rules import START, visit

LOG = logging.getLogger("dooryard.away")


class QuickDisk(FileCalls):
    """Keeps the order of things but does not wait for the card."""

    def sync(self, descriptor: int) -> None:
        del descriptor

    def sync_folder(self, path: Path) -> None:
        del path


class Away:
    """The phone cannot be reached from `from_s` to `to_s` (seconds since `start`); `got` says who got what.

    `restart_every_s`: how often the program is ended and started again.
    """

    def __init__(
        self, policy: Policy, *, from_s: float, to_s: float, start: Moment = START,
        sinks: Sequence[str] = ("phone",), outcome: SendOutcome = SendOutcome.NOT_SENT,
        restart_every_s: float = float("inf"),
    ) -> None:  # fmt: skip
        self.policy, self.clock = policy, FakeClock(start.wall, start.mono_s)
        # sink -> (visit, local time, whether it was marked)
        self.got: dict[str, list[tuple[str, str, bool]]] = {"phone": [], "post": []}
        self._from_s, self._to_s, self._start_s = from_s, to_s, start.mono_s
        self._to, self._outcome, self._restart_every_s = frozenset(sinks), outcome, restart_every_s

    def play(self, *, visits: Sequence[float], until_s: float) -> None:
        """Somebody comes at each of `visits` (seconds); `until_s` is the end."""
        coming, state, restart_s = sorted(visits), PolicyState(), self._restart_every_s
        with TemporaryDirectory() as folder:
            store = Store.open(Path(folder) / "state", self.clock, disk=QuickDisk())
            workers = self._workers(store)
            while self.t_s < until_s:
                if self.t_s >= restart_s:
                    store.close()
                    store = Store.open(Path(folder) / "state", self.clock, disk=QuickDisk())
                    workers, restart_s = self._workers(store), restart_s + self._restart_every_s
                while coming and coming[0] <= self.t_s:
                    state = self._come(store, state, len(visits) - len(coming) + 1)
                    coming = coming[1:]
                wait_s = min(self._tick(workers), restart_s - self.t_s, until_s - self.t_s)
                self.clock.advance(max(0.1, min([wait_s, *(at_s - self.t_s for at_s in coming[:1])])))
            store.close()

    def _tick(self, workers: Sequence[DeliveryWorker]) -> float:
        """Do what is due; the seconds until something is again, and no more than a minute."""
        waits_s = [self._turned(worker) for worker in [*workers, *workers]]
        return min([60.0, *(wait_s for wait_s in waits_s if wait_s is not None)])

    def _turned(self, worker: DeliveryWorker) -> float | None:
        while (wait_s := worker.tick()) == 0.0:
            pass
        return wait_s

    @property
    def t_s(self) -> float:
        return self.clock.now().mono_s - self._start_s

    def hear(self, sink: str, alert: Alert) -> SendResult:
        if sink == "phone" and self._from_s <= self.t_s < self._to_s:
            return SendResult(self._outcome, "no network")
        local = self.clock.now().wall.astimezone(self.policy.place.zone)
        marked = "because phone could not be reached" in alert.text
        self.got[sink].append((alert.id, f"{local:%H:%M}", marked))
        return SendResult(SendOutcome.SENT, "heard")

    def _come(self, store: Store, state: PolicyState, number: int) -> PolicyState:
        now = self.clock.now()
        seen = visit("cat", number=number, start=now)
        state, decision = decide(self.policy, state, seen, now, True, sinks=self._to)
        alerts = [alert_for(self.policy, seen, decision, now, True)] if decision.sinks else []
        store.record_visit(seen, None, decision, alerts)
        return state

    def _workers(self, store: Store) -> list[DeliveryWorker]:
        return [
            DeliveryWorker(
                store, Heard(name, self), self.clock, LOG, rules=RetryRules(), jitter=lambda: 1.0,
                holds=partial(self._holds, name), instead=partial(self._instead, name),
            )
            for name in self.got
        ]  # fmt: skip

    def _holds(self, sink: str, kind: str, made: datetime | None) -> bool:
        return held_back(as_for(self.policy, sink), kind, made, self.clock.now().wall, clock_set=True)

    def _instead(self, sink: str) -> Instead | None:
        found = instead_of(self.policy, sink)
        return None if found is None else Instead(*found)


class Heard:
    """A sink that tells `Away` what it was sent."""

    def __init__(self, name: str, away: Away) -> None:
        self.name, self._away = name, away

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        del picture
        return self._away.hear(self.name, alert)

    def close(self) -> None:
        """There is nothing to let go of."""
