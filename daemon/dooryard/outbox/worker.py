"""Delivers to one sink, one step at a time; without a thread of its own, so that a test can turn it."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable

from dooryard.clock import Clock
from dooryard.errors import StoreError
from dooryard.outbox.rows import Waiting
from dooryard.outbox.schedule import Errand, Line, Rules, State, after, line_after, next_s, pick, restored
from dooryard.outbox.store import Store
from dooryard.records import Alert
from dooryard.sinks.base import Answer, Fate, Sink

STORE_RETRY_S = 30.0  # how long to leave a failing store alone


class Worker:
    """Delivers to one sink. `turn` makes one step; a thread of `Delivery` calls it again and again."""

    def __init__(
        self,
        store: Store,
        sink: Sink,
        clock: Clock,
        log: logging.Logger,
        *,
        rules: Rules,
        jitter: Callable[[], float],
    ) -> None:
        self.sink = sink
        self.sending_since_s: float | None = None
        self._store = store
        self._clock = clock
        self._log = log
        self._rules = rules
        self._jitter = jitter
        self._line = Line(backlog_seq=store.newest_alert())  # what was stored before the start is backlog
        self._errands: dict[str, Errand] = {}
        self._unwritten: dict[str, Errand] = {}  # outcomes that the store could not take yet
        self._store_failed = False

    def turn(self) -> float | None:
        """Make at most one attempt. Return the seconds until the next is due, or None if nothing waits."""
        try:
            self._take_in()
        except StoreError as error:
            self._tell_store_failure(error)
            return STORE_RETRY_S
        now_s = self._clock.now().mono_s
        errand = pick(self._errands.values(), self._line, now_s)
        if errand is None:
            due_s = next_s(self._errands.values(), self._line)
            return None if due_s is None else max(0.0, due_s - now_s)
        self._conclude(errand, self._attempt(errand))
        return 0.0

    def _take_in(self) -> None:
        """Bring memory in line with the store: new alerts in, dropped ones out, late outcomes written."""
        for alert_id, errand in list(self._unwritten.items()):
            self._store.mark(errand, self._clock.now().mono_s)
            del self._unwritten[alert_id]
        waiting = self._store.pending(self.sink.name)
        if self._store_failed:
            self._log.info("%s: the store works again", self.sink.name)
            self._store_failed = False
        now_s = self._clock.now().mono_s
        self._errands = {
            each.alert: self._errands.get(each.alert) or self._errand_of(each, now_s) for each in waiting
        }

    def _errand_of(self, waiting: Waiting, now_s: float) -> Errand:
        errand = Errand(
            alert=waiting.alert,
            sink=waiting.sink,
            seq=waiting.seq,
            since_s=now_s,
            due_s=now_s,
            attempts=waiting.attempts,
            maybe=waiting.maybe,
            answer=waiting.answer,
        )
        return restored(errand, wait_s=waiting.wait_s, age_s=waiting.age_s, now_s=now_s, rules=self._rules)

    def _attempt(self, errand: Errand) -> Answer:
        try:
            alert = self._store.alert(errand.alert)
        except StoreError as error:  # one bad row must not hold up every alert behind it
            return Answer(Fate.NOT_SENT, error.what)
        if alert is None:  # dropped since it was taken in
            return Answer(Fate.REFUSED, "the alert is no longer stored")
        picture = self._picture_of(alert)
        self.sending_since_s = self._clock.now().mono_s
        try:
            return self.sink.send(alert, picture)
        except Exception as error:  # noqa: BLE001  (a faulty sink must not end its thread)
            # Only the kind and the place: an exception's text may carry an address or a secret.
            place = traceback.extract_tb(error.__traceback__)[-1]
            kind = type(error).__name__
            self._log.error("%s: fault in the sink: %s in %s", self.sink.name, kind, place.name)
            return Answer(Fate.NOT_SENT, f"fault in the sink: {kind}")
        finally:
            self.sending_since_s = None

    def _picture_of(self, alert: Alert) -> bytes | None:
        if alert.picture is None:
            return None
        try:
            picture = self._store.read_picture(alert.picture)
            trouble = "is gone"
        except StoreError as error:  # one bad block must not hold up every alert behind it
            picture, trouble = None, f"cannot be read ({error.what})"
        if picture is None:
            self._log.warning(
                "%s: the picture of alert %s %s; told without", self.sink.name, alert.id, trouble
            )
        return picture

    def _conclude(self, errand: Errand, answer: Answer) -> None:
        now_s, jitter = self._clock.now().mono_s, self._jitter()
        done = after(errand, answer, now_s, jitter, self._rules)
        newest = max(each.seq for each in self._errands.values())
        self._line = line_after(self._line, answer, now_s, jitter, self._rules, newest_seq=newest)
        self._tell(done, answer)
        if done.state is State.WAITING:
            self._errands[done.alert] = done
        else:
            del self._errands[done.alert]
        try:
            self._store.mark(done, now_s)
        except StoreError as error:
            self._unwritten[done.alert] = done
            self._tell_store_failure(error)

    def _tell(self, errand: Errand, answer: Answer) -> None:
        words = (self.sink.name, errand.alert, errand.attempts, answer.text)
        if errand.state is State.SENT:
            self._log.info("%s: alert %s sent, attempt %d: %s", *words)
        elif errand.state is State.WAITING:
            wait_s = errand.due_s - self._clock.now().mono_s
            self._log.warning(
                "%s: alert %s %s, attempt %d: %s; again in %.0f s",
                words[0], words[1], answer.fate.value, words[2], words[3], wait_s,
            )  # fmt: skip
        else:
            self._log.error("%s: alert %s given up, attempt %d: %s", *words)

    def _tell_store_failure(self, error: StoreError) -> None:
        if not self._store_failed:  # once, not at each turn
            self._log.error("%s: %s; to do: %s", self.sink.name, error.what, error.remedy)
        self._store_failed = True
