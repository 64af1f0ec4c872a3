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

from dooryard.outbox.rows import Waiting
from dooryard.outbox.schedule import Errand, Instead, Rules, State, pass_on_next_s, restored, to_pass_on
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

    def given(self, errands: Iterable[Errand], now_s: float) -> dict[str, Errand]:
        """Pass on what could not be delivered for too long; those errands, by alert. Raises StoreError."""
        instead = self._instead()
        late = to_pass_on(errands, instead, now_s)
        if instead is None or not late:
            return {}
        count = self._store.pass_on([each.alert for each in late], self._sink, instead.sink)
        if count:
            words = (self._sink, count, "alert" if count == 1 else "alerts", instead.sink)
            self._log.warning("%s: cannot be reached: %d %s passed on to %s", *words)
            self._wake()
        return {each.alert: replace(each, passed_on=True) for each in late}

    def next_s(self, errands: Iterable[Errand]) -> float | None:
        """When the next is to be passed on; None: none is."""
        return pass_on_next_s(errands, self._instead())

    def of_refused(self, errand: Errand) -> str:
        """The sink that is given at once what this one turned away for good; "": none."""
        instead = self._instead()
        turned_away = errand.state is State.REFUSED and errand.passes_on and not errand.taken
        return instead.sink if instead is not None and turned_away and not errand.passed_on else ""

    def woken(self, errand: Errand) -> None:
        """Have the other sink look, where it was given `errand`."""
        if self.of_refused(errand):
            self._wake()


def errand_of(waiting: Waiting, now_s: float, extra_age_s: float, rules: Rules) -> Errand:
    """A stored delivery as an errand at `now_s`."""
    errand = Errand(
        alert=waiting.alert,
        sink=waiting.sink,
        seq=waiting.seq,
        since_s=now_s,
        due_s=now_s,
        attempts=waiting.attempts,
        maybe=waiting.maybe,
        answer=waiting.answer,
        urgent=waiting.urgent,
        gathers=waiting.kind == "visit" and not waiting.urgent,
        extra_age_s=extra_age_s,
        taken=waiting.taken,
        # None was tried yet, or its owner wants it tried anew: then by those too who turned it away.
        refused=waiting.refused if waiting.attempts else frozenset(),
        passes_on=waiting.kind not in _NOT_PASSED_ON,
        passed_on=waiting.passed_on,
        instead_of=waiting.instead_of,
    )
    return restored(
        errand,
        wait_s=waiting.wait_s,
        age_s=waiting.age_s,
        trying_s=waiting.trying_s,
        now_s=now_s,
        rules=rules,
    )
