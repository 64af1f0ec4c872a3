"""What one sink could not be given goes to another as well: a worker's part in it.

Who that is, the policy says, and it is asked each time, so that a changed policy takes effect. That an alert
was passed on is a row of the store, one for each alert and sink: killed before or after it is written, the
next turn writes it again or finds it there. Time from the last try to the end of the program, and without
power, is not counted: no more than one wait between two tries is lost to each restart.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import replace

from dooryard.outbox.rows import UnfinishedDelivery
from dooryard.outbox.schedule import (
    Delivery,
    DeliveryState,
    Instead,
    RetryRules,
    pass_on_next_s,
    restored,
    to_pass_on,
)
from dooryard.outbox.store import Store

_NOT_PASSED_ON = frozenset({"summary", "journal"})


class StandIn:
    """Passes on what `sink` could not be given."""

    def __init__(
        self,
        store: Store,
        sink: str,
        instead: Callable[[], Instead | None],
        wake: Callable[[], None],
        log: logging.Logger,
    ) -> None:
        self._store = store
        self._sink = sink
        self._instead = instead
        self._wake = wake
        self._log = log

    def given(self, deliveries: Iterable[Delivery], now_s: float) -> dict[str, Delivery]:
        """Pass on what could not be delivered for too long; those deliveries, by alert. Raises StoreError."""
        instead = self._instead()
        late = to_pass_on(deliveries, instead, now_s)
        if instead is None or not late:
            return {}
        count = self._store.pass_on([each.alert for each in late], self._sink, instead.sink)
        if count:
            words = (self._sink, count, "alert" if count == 1 else "alerts", instead.sink)
            self._log.warning("%s: cannot be reached: %d %s passed on to %s", *words)
            self._wake()
        return {each.alert: replace(each, passed_on=True) for each in late}

    def next_s(self, deliveries: Iterable[Delivery]) -> float | None:
        """When the next is to be passed on; None: none is."""
        return pass_on_next_s(deliveries, self._instead())

    def of_refused(self, delivery: Delivery) -> str:
        """The sink that is given at once what this one turned away for good; "": none."""
        instead = self._instead()
        turned_away = delivery.state is DeliveryState.REFUSED and delivery.passes_on and not delivery.taken
        return instead.sink if instead is not None and turned_away and not delivery.passed_on else ""

    def woken(self, delivery: Delivery) -> None:
        """Have the other sink look, where it was given `delivery`."""
        if self.of_refused(delivery):
            self._wake()


def delivery_of(waiting: UnfinishedDelivery, now_s: float, extra_age_s: float, rules: RetryRules) -> Delivery:
    """A stored delivery as a delivery at `now_s`."""
    delivery = Delivery(
        alert=waiting.alert,
        sink=waiting.sink,
        seq=waiting.seq,
        since_s=now_s,
        due_s=now_s,
        attempts=waiting.attempts,
        maybe=waiting.maybe,
        answer=waiting.answer,
        urgent=waiting.urgent,
        digests=waiting.kind == "visit" and not waiting.urgent,
        extra_age_s=extra_age_s,
        taken=waiting.taken,
        # None was tried yet, or its owner wants it tried again: then by those too who turned it away.
        refused=waiting.refused if waiting.attempts else frozenset(),
        passes_on=waiting.kind not in _NOT_PASSED_ON,
        passed_on=waiting.passed_on,
        instead_of=waiting.instead_of,
    )
    return restored(
        delivery,
        wait_s=waiting.wait_s,
        age_s=waiting.age_s,
        trying_s=waiting.trying_s,
        now_s=now_s,
        rules=rules,
    )
