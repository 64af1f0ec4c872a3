"""Delivers to one sink, one step at a time; without a thread of its own, so that a test can turn it."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable, Sequence
from datetime import datetime
from itertools import islice

from dooryard.core.clock import Clock
from dooryard.core.errors import StoreError
from dooryard.core.records import Alert, Moment
from dooryard.outbox import token_bucket
from dooryard.outbox.digest import MOST_PICTURES, contact_sheet, digest_alert
from dooryard.outbox.notices import as_stand_in, failure_notice
from dooryard.outbox.recipients import Resting, concluded, paced, to_go, to_try
from dooryard.outbox.rows import UnfinishedDelivery
from dooryard.outbox.schedule import (
    CircuitBreaker,
    Delivery,
    DeliveryState,
    Instead,
    RetryRules,
    after,
    breaker_after,
    next_s,
    pick,
    too_late,
    tried_in_vain,
)
from dooryard.outbox.stand_in import StandIn, delivery_of
from dooryard.outbox.store import Store
from dooryard.sinks.base import ManyRecipients, SendOutcome, SendResult, Sink

STORE_RETRY_S = 30.0  # how long to leave a failing store alone
# A sink that signs the time waits for the clock this long; then it tries, and no refusal is for good
# until the clock is set.
CLOCK_PATIENCE_S = 900.0
CLOCK_LOOK_S = 20.0
HOLD_LOOK_S = 30.0  # how soon an alert that is held goes out after it may
Holds = Callable[[str, datetime | None], bool]
"""Whether an alert of a kind, made at a time by the wall clock (None: not known), is to wait."""


class DeliveryWorker:
    """Delivers to one sink. `tick` makes one step; a thread of `Delivery` calls it again and again."""

    def __init__(
        self,
        store: Store,
        sink: Sink,
        clock: Clock,
        log: logging.Logger,
        *,
        rules: RetryRules,
        jitter: Callable[[], float],
        others: Sequence[str] = (),
        clock_set: Callable[[], bool] = lambda: True,
        holds: Holds = lambda _kind, _made: False,
        instead: Callable[[], Instead | None] = lambda: None,
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        """`others` are the sinks to tell when this one fails for good; `holds`: not of urgent ones.

        `instead` tells who is given what this one cannot be; `wake` is called when there is such.
        """
        self.sink = sink
        self.sending_since_s: float | None = None
        self.failing_since_s: float | None = None  # no attempt has arrived since then
        self._store = store
        self._clock = clock
        self._log = log
        self._rules = rules
        self._jitter = jitter
        self._others = others
        self._clock_set = clock_set
        self._holds = holds
        self._stand_in = StandIn(store, sink.name, instead, wake, log)
        self._held = 0  # alerts that wait, not for the sink but for their hour
        self._waits_for_clock_until_s = (
            clock.now().mono_s + CLOCK_PATIENCE_S if getattr(sink, "needs_clock", False) else float("-inf")
        )
        self._recipients = sink.recipients if isinstance(sink, ManyRecipients) else ()
        self._resting: Resting = {}
        self._pace = token_bucket.TokenBucket()
        self._newest_seen = store.newest_alert()
        self._breaker = CircuitBreaker(
            backlog_seq=self._newest_seen
        )  # what was stored before the start is backlog
        self._deliveries: dict[str, Delivery] = {}
        self._unwritten: dict[str, Delivery] = {}  # outcomes that the store could not take yet
        self._store_failed = False

    def tick(self) -> float | None:
        """Make at most one attempt. Return the seconds until the next is due, or None if nothing waits."""
        now_s = self._clock.now().mono_s
        try:
            self._take_in()
            if self._deliveries and now_s < self._waits_for_clock_until_s and not self._clock_set():
                return CLOCK_LOOK_S
            self._collect_late()
            self._deliveries |= self._stand_in.given(self._deliveries.values(), now_s)
        except StoreError as error:
            self._tell_store_failure(error)
            return STORE_RETRY_S
        free_from_s = token_bucket.free_from_s(self._pace, self._rules.per_hour, self._rules.burst)
        deliveries = paced(self._deliveries.values(), self._recipients, self._resting)
        delivery = pick(deliveries, self._breaker, now_s, free_from_s=free_from_s)
        if delivery is None:
            wait_s = self._wait_s(next_s(deliveries, self._breaker, free_from_s=free_from_s), now_s)
            return min(HOLD_LOOK_S, HOLD_LOOK_S if wait_s is None else wait_s) if self._held else wait_s
        self._pace = token_bucket.token_taken(self._pace, now_s, self._rules.per_hour)
        self._conclude(delivery, self._attempt(delivery))
        return 0.0

    def _wait_s(self, due_s: float | None, now_s: float) -> float | None:
        """How long nothing is to do: until the next attempt, or until another sink is given something."""
        pass_on_s = self._stand_in.next_s(self._deliveries.values())
        soonest_s = min((each for each in (due_s, pass_on_s) if each is not None), default=None)
        return None if soonest_s is None else max(0.0, soonest_s - now_s)

    def _take_in(self) -> None:
        """Bring memory in line with the store: new alerts in, dropped ones out, late outcomes written."""
        for alert_id, delivery in list(self._unwritten.items()):
            self._mark(delivery, self._clock.now())
            del self._unwritten[alert_id]
        stored = self._store.pending(self.sink.name)
        waiting = [each for each in stored if each.urgent or not self._holds(each.kind, each.wall)]
        self._held = len(stored) - len(waiting)
        if self._store_failed:
            self._log.info("%s: the store works again", self.sink.name)
            self._store_failed = False
        now_s = self._clock.now().mono_s
        self._deliveries = {each.alert: self._known(each) or self._begun(each, now_s) for each in waiting}
        self._newest_seen = max([self._newest_seen, *(each.seq for each in stored)])

    def _known(self, waiting: UnfinishedDelivery) -> Delivery | None:
        """The delivery in memory, unless another program has begun it again in the store."""
        known = self._deliveries.get(waiting.alert)
        return known if known is not None and known.attempts == waiting.attempts else None

    def _collect_late(self) -> None:
        """Put alerts that have become too late for a message each into one."""
        now = self._clock.now()
        groups: dict[tuple[str, ...], list[Delivery]] = {}
        for delivery in self._deliveries.values():
            to = tuple(to_go(delivery, self._recipients))
            if len(to) == len(to_try(delivery, self._recipients, self._resting, now.mono_s)):
                groups.setdefault(to, []).append(delivery)
        for group in groups.values():
            self._digest_group(too_late(group, self._breaker, now.mono_s, self._rules), now)

    def _digest_group(self, late: list[Delivery], now: Moment) -> None:
        found = [(delivery, alert) for delivery in late if (alert := self._alert_of(delivery)) is not None]
        if not found:
            return
        late, alerts = [delivery for delivery, _ in found], [alert for _, alert in found]
        into = digest_alert(alerts, self.sink.name, now, clock_set=self._clock_set())
        pictures = (self._picture_of(alert) for alert in alerts if alert.picture)
        sheet = contact_sheet([picture for picture in islice(pictures, MOST_PICTURES) if picture])
        try:
            self._store.digest(late, into, sheet)
        except StoreError:
            if sheet is None:
                raise
            self._store.digest(late, into, None)  # no room for a picture: the words alone
        self._log.info("%s: %d late alerts become one, %s", self.sink.name, len(late), into.id)
        self._take_in()

    def _alert_of(self, delivery: Delivery) -> Alert | None:
        try:
            return self._store.alert(delivery.alert)
        except StoreError:
            return None  # the attempt to tell it says so

    def _begun(self, waiting: UnfinishedDelivery, now_s: float) -> Delivery:
        return delivery_of(waiting, now_s, self._extra_age_s(waiting), self._rules)

    def _extra_age_s(self, waiting: UnfinishedDelivery) -> float:
        """By how much the wall clock says that it is older: the store's age leaves out time without power.

        So it does time on disk when too much waited to be taken in. What is new has neither behind it. It
        only decides what is told together, so a wrong clock loses nothing.
        """
        if waiting.seq > self._newest_seen or waiting.wall is None or not self._clock_set():
            return 0.0
        return max(0.0, (self._clock.now().wall - waiting.wall).total_seconds() - waiting.age_s)

    def _attempt(self, delivery: Delivery) -> SendResult:
        try:
            alert = self._store.alert(delivery.alert)
        except StoreError as error:  # one bad row must not hold up every alert behind it
            return SendResult(SendOutcome.NOT_SENT, error.what)
        if alert is None:  # dropped since it was taken in
            return SendResult(SendOutcome.REFUSED, "the alert is no longer stored")
        if self._recipients and not to_go(delivery, self._recipients):
            return SendResult(SendOutcome.SENT, "all who are still its recipients are done with it")
        if delivery.instead_of:
            alert = as_stand_in(alert, delivery.instead_of)
        picture = self._picture_of(alert)
        self.sending_since_s = self._clock.now().mono_s
        try:
            if isinstance(self.sink, ManyRecipients):
                wanted = to_try(delivery, self._recipients, self._resting, self.sending_since_s)
                return self.sink.send_to(alert, picture, wanted)
            return self.sink.send(alert, picture)
        except Exception as error:  # noqa: BLE001  (a faulty sink must not end its thread)
            # Only the kind and the place: an exception's text may carry an address or a secret.
            place = traceback.extract_tb(error.__traceback__)[-1]
            kind = type(error).__name__
            self._log.error("%s: fault in the sink: %s in %s", self.sink.name, kind, place.name)
            return SendResult(SendOutcome.NOT_SENT, f"fault in the sink: {kind}")
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

    def _conclude(self, delivery: Delivery, answer: SendResult) -> None:
        now, jitter = self._clock.now(), self._jitter()
        now_s = now.mono_s
        if (
            answer.outcome is SendOutcome.REFUSED
            and getattr(self.sink, "needs_clock", False)
            and not self._clock_set()
        ):
            answer = SendResult(
                SendOutcome.NOT_SENT, f"{answer.text} (with the clock not set, so not for good)"
            )
        outcome = concluded(delivery, answer, self._recipients, self._resting, now_s, jitter, self._rules)
        self._resting, way, answer = outcome.resting, outcome.way, outcome.answer
        if way.outcome in {SendOutcome.SENT, SendOutcome.REFUSED}:
            self.failing_since_s = None
        else:
            self.failing_since_s = now_s if self.failing_since_s is None else self.failing_since_s
            self._deliveries |= tried_in_vain(self._deliveries.values(), now_s)
        done = after(outcome.delivery, answer, now_s, jitter, self._rules)
        newest = max(each.seq for each in self._deliveries.values())
        self._breaker = breaker_after(self._breaker, way, now_s, jitter, self._rules, newest_seq=newest)
        self._tell(done, answer)
        if done.state is DeliveryState.WAITING:
            self._deliveries[done.alert] = done
        else:
            del self._deliveries[done.alert]
        try:
            self._mark(done, now)
        except StoreError as error:
            self._unwritten[done.alert] = done
            self._tell_store_failure(error)

    def _mark(self, delivery: Delivery, now: Moment) -> None:
        """Write it down; what was turned away for good is another sink's at once."""
        self._store.mark(
            delivery, now.mono_s, notice=self._notice(delivery, now), to=self._stand_in.of_refused(delivery)
        )
        self._stand_in.woken(delivery)

    def _notice(self, delivery: Delivery, now: Moment) -> Alert | None:
        if delivery.state not in {DeliveryState.REFUSED, DeliveryState.EXPIRED}:
            return None
        alert = self._alert_of(delivery)
        title = alert.title if alert else "one that is no longer stored"
        return failure_notice(delivery, title, self._others, now, clock_set=self._clock_set())

    def _tell(self, delivery: Delivery, answer: SendResult) -> None:
        words = (self.sink.name, delivery.alert, delivery.attempts, answer.text)
        if delivery.state is DeliveryState.SENT:
            self._log.info("%s: alert %s sent, attempt %d: %s", *words)
        elif delivery.state is DeliveryState.WAITING:
            wait_s = max(delivery.due_s, self._breaker.rests_until_s) - self._clock.now().mono_s
            self._log.warning(
                "%s: alert %s %s, attempt %d: %s; again in %.0f s",
                words[0], words[1], answer.outcome.value, words[2], words[3], wait_s,
            )  # fmt: skip
        else:
            self._log.error("%s: alert %s given up, attempt %d: %s", *words)

    def _tell_store_failure(self, error: StoreError) -> None:
        if not self._store_failed:  # once, not at each turn
            self._log.error("%s: %s; to do: %s", self.sink.name, error.what, error.remedy)
        self._store_failed = True
