"""Tells what is stored: one thread per sink, so that a dead receiver holds up nobody else.

The store is the truth. A worker asks it what waits, keeps only the times of the next attempts in memory,
and writes each outcome down before it goes on. Killed between an attempt and its writing down, it tries
again after the restart, under the same alert id.
"""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial

from dooryard.core.clock import Clock
from dooryard.outbox.schedule import Instead, RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import STORE_RETRY_S, DeliveryWorker
from dooryard.sinks.base import Sink

STUCK_AFTER_S = 600.0  # a send that takes longer has stopped answering
LOOK_AGAIN_S = 60.0  # how soon an idle thread sees what another program changed in the store

HoldsFor = Callable[[str, str, datetime | None], bool]
"""As `worker.Holds`, with the sink's name before."""
InsteadOf = Callable[[str], Instead | None]
"""Who is given what the sink of a name cannot be."""

_UNKNOWN = float("-inf")


class Dispatcher:
    """The threads. `start`, then `wake` after each alert stored, `drain` and `stop` at the end."""

    def __init__(
        self,
        store: Store,
        sinks: Sequence[Sink],
        clock: Clock,
        log: logging.Logger,
        *,
        rules: RetryRules | None = None,
        rules_of: Mapping[str, RetryRules] | None = None,
        notices_to: Sequence[str] | None = None,
        clock_set: Callable[[], bool] = lambda: True,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        """`rules` hold for every sink that `rules_of` does not name.

        `notices_to` names the sinks that may be told of a failure of another; None: all of them.
        """
        self._holds: HoldsFor = lambda _sink, _kind, _made: False
        self._insteads: InsteadOf = lambda _sink: None
        self._store = store
        self._clock = clock
        self._log = log
        common, own = rules or RetryRules(), rules_of or {}
        told = [sink.name for sink in sinks] if notices_to is None else notices_to
        self._workers = [
            DeliveryWorker(
                store,
                sink,
                clock,
                log,
                rules=own.get(sink.name, common),
                jitter=jitter,
                others=[name for name in told if name != sink.name],
                clock_set=clock_set,
                holds=partial(self._held, sink.name),
                instead=partial(self._instead, sink.name),
                wake=self.wake,
            )
            for sink in sinks
        ]
        self._bells = [threading.Event() for _ in sinks]
        self._threads: list[threading.Thread] = []
        self._stopping = threading.Event()
        # Per worker: when it will try next; None: nothing waits; _UNKNOWN: it has not looked yet.
        self._due_s: list[float | None] = [_UNKNOWN for _ in sinks]
        self._looked = threading.Condition()

    def start(self) -> None:
        """Start the threads. What waited before is due again within its backoff."""
        names = [worker.sink.name for worker in self._workers]
        for sink, count in self._store.end_deliveries_to_others(names).items():
            self._log.error("%d alerts for sink %r given up: the box file no longer names it", count, sink)
        for number, name in enumerate(names):
            thread = threading.Thread(target=self._run, args=(number,), name=f"deliver-{name}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def hold_by(self, holds: HoldsFor) -> None:
        """Ask `holds`, from now on and from the threads, which alerts are to wait for their hour."""
        self._holds = holds
        self.wake()

    def _held(self, sink: str, kind: str, made: datetime | None) -> bool:
        return self._holds(sink, kind, made)

    def _instead(self, sink: str) -> Instead | None:
        return self._insteads(sink)

    def pass_on_by(self, insteads: InsteadOf) -> None:
        """Ask `insteads`, likewise, who is given what a sink cannot be."""
        self._insteads = insteads
        self.wake()

    def wake(self) -> None:
        """Say that there may be something new to tell. Returns at once."""
        with self._looked:
            for number, bell in enumerate(self._bells):
                self._due_s[number] = _UNKNOWN
                bell.set()

    def drain(self, timeout_s: float) -> bool:
        """Wait until nothing waits (True), or nothing more can be tried within `timeout_s` (False)."""
        self.wake()
        deadline_s = self._clock.now().mono_s + timeout_s
        with self._looked:
            self._looked.wait_for(
                lambda: all(due is None or due > deadline_s for due in self._due_s), timeout_s
            )
            return all(due is None for due in self._due_s)

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End the threads and close the sinks; False when a thread is still in a send after `timeout_s`.

        What such a send was about stays stored as waiting. May be called twice.
        """
        self._stopping.set()
        self.wake()
        for thread in self._threads:
            thread.join(timeout_s / len(self._threads))
        for worker, thread in zip(self._workers, self._threads, strict=False):
            if not thread.is_alive():
                worker.sink.close()
        return not any(thread.is_alive() for thread in self._threads)

    def alive(self) -> bool:
        """True while every thread runs and none is stuck in a send: for the watchdog."""
        return self.stuck() is None

    def stuck(self) -> str | None:
        """The name of a sink whose thread has ended or does not come back from a send, or None."""
        now_s = self._clock.now().mono_s
        for worker in self._workers:
            since_s = worker.sending_since_s
            if since_s is not None and now_s - since_s > STUCK_AFTER_S:
                return worker.sink.name
        ended = (
            worker.sink.name
            for worker, thread in zip(self._workers, self._threads, strict=False)
            if not thread.is_alive()
        )
        return next(ended, None)

    def failing(self) -> dict[str, float]:
        """The sinks whose last attempt did not arrive, and since when that is so (monotonic seconds)."""
        return {
            worker.sink.name: worker.failing_since_s
            for worker in self._workers
            if worker.failing_since_s is not None
        }

    def now_s(self) -> float:
        """The time now, on the clock that `failing` goes by."""
        return self._clock.now().mono_s

    def _run(self, number: int) -> None:
        worker, bell = self._workers[number], self._bells[number]
        while not self._stopping.is_set():
            bell.clear()  # before looking, so that a ring while looking is not lost
            wait_s = self._tick(worker)
            with self._looked:
                if not bell.is_set():
                    now_s = self._clock.now().mono_s
                    self._due_s[number] = None if wait_s is None else now_s + wait_s
                    self._looked.notify_all()
            if wait_s is None:
                bell.wait(LOOK_AGAIN_S)  # real time, whatever the clock: another program rings no bell
            elif wait_s > 0:
                self._clock.wait(bell, wait_s)

    def _tick(self, worker: DeliveryWorker) -> float | None:
        try:
            return worker.tick()
        except Exception:  # noqa: BLE001  (a fault of this program: said in full, and the thread lives on)
            self._log.exception("%s: fault in delivery", worker.sink.name)
            return STORE_RETRY_S
