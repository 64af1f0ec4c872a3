"""When to try again: pure, values in, a new value out.

All times are monotonic seconds. They mean nothing after a restart, so the store keeps durations, and
`restored` turns them into times again.

Two things are paced. An *delivery* is one alert on its way to one sink; it waits longer after each failure.
A *line* is the way to one sink; after a failure the whole line rests, so that five hundred alerts don't
knock at a dead receiver one after the other.

In which order:

- While the line works, alerts go in the order they were stored.
- While it fails, the delivery with the fewest attempts goes next, the newest of those first. So one alert
  that a receiver cannot stomach does not stand in the way of the rest.
- When it works again, what is stored from then on goes first, in order; the backlog goes newest first.
- Urgent alerts go before all others while the line works, and whatever the sink's pace (see `pace`).

Alerts on visits that have grown old on the way are not worth a message each: `too_late` says which of
them to put into one digest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from dooryard.sinks.base import SendOutcome, SendResult


class DeliveryState(StrEnum):
    """Where a delivery stands. Only the first is unfinished."""

    WAITING = "waiting"
    SENT = "sent"
    REFUSED = "refused"  # the receiver will never take it
    EXPIRED = "expired"  # still failing past its age
    IN_DIGEST = "gathered"  # too late for a message of its own: told in another
    DROPPED = "dropped"  # its owner did not want it told any more


@dataclass(frozen=True, slots=True)
class RetryRules:
    """How patient to be."""

    first_s: float = 5.0  # the longest wait after the first failure; it doubles with each one
    cap_s: float = 300.0  # the longest wait after any number of failures
    longest_retry_after_s: float = 6 * 3600.0  # what a receiver asks for is obeyed up to here
    give_up_after_s: float = 7 * 86400.0  # a delivery older than this ends with its next failure
    late_after_s: float = 3600.0  # an alert on a visit older than this is late ...
    digest_from: int = 3  # ... and this many late ones become one message
    per_hour: float = 120.0  # attempts in the long run
    burst: int = 60  # attempts in a row


@dataclass(frozen=True, slots=True)
class Instead:
    """Who gets what a sink could not be given."""

    sink: str
    after_s: float  # since it was first tried


@dataclass(frozen=True, slots=True)
class Delivery:
    """One alert on its way to one sink."""

    alert: str
    sink: str
    seq: int  # order of storing
    since_s: float  # when it was stored
    due_s: float  # not before this
    state: DeliveryState = DeliveryState.WAITING
    attempts: int = 0
    maybe: int = 0  # attempts that may have arrived
    answer: str = ""  # the last answer, in words
    urgent: bool = False
    digests: bool = False  # it may be told together with others once it is late
    extra_age_s: float = 0.0  # how much older it is by the wall clock: time spent without power
    # Of a sink with several recipients: who has it already, and who will never take it.
    taken: frozenset[str] = frozenset()
    refused: frozenset[str] = frozenset()
    tried_s: float | None = None  # when it was first tried; None: not yet
    passes_on: bool = False  # another sink may be given it as well
    passed_on: bool = False  # that was done
    instead_of: str = ""  # the sink that could not be reached, and in whose place it is to this one


@dataclass(frozen=True, slots=True)
class CircuitBreaker:
    """The way to one sink."""

    failures: int = 0  # in a row
    rests_until_s: float = float("-inf")
    backlog_seq: int = 0  # alerts up to this one are backlog
    why: str = ""  # what the sink said of a recipient that rests


def backoff_s(failures: int, jitter: float, rules: RetryRules) -> float:
    """Seconds to wait after `failures` (>= 1) in a row; `jitter` in 0..1 picks within the upper half.

    The wait lies in [w/2, w] with w = min(cap_s, first_s * 2 ** (failures - 1)).
    """
    longest = min(rules.cap_s, rules.first_s * 2.0 ** min(failures - 1, 60))
    return longest * (0.5 + 0.5 * jitter)


def restored(
    delivery: Delivery, *, wait_s: float, age_s: float, now_s: float, rules: RetryRules, trying_s: float = 0.0
) -> Delivery:
    """An unfinished delivery as it stands after a restart: due again no later than its last wait promised.

    `trying_s` is from its first try to its last one.
    """
    wait_s = min(max(0.0, wait_s), max(rules.cap_s, rules.longest_retry_after_s))
    tried_s = now_s - max(0.0, trying_s) if delivery.attempts else None
    return replace(delivery, since_s=now_s - max(0.0, age_s), due_s=now_s + wait_s, tried_s=tried_s)


def after(delivery: Delivery, answer: SendResult, now_s: float, jitter: float, rules: RetryRules) -> Delivery:
    """The delivery after an attempt that ended at `now_s` with `answer`."""
    tried = replace(
        delivery,
        attempts=delivery.attempts + 1,
        maybe=delivery.maybe + (answer.outcome is SendOutcome.MAYBE_SENT),
        answer=answer.text,
        due_s=now_s,
        tried_s=now_s if delivery.tried_s is None else delivery.tried_s,
    )
    if answer.outcome is SendOutcome.SENT:
        return replace(tried, state=DeliveryState.SENT)
    if answer.outcome is SendOutcome.REFUSED:
        return replace(tried, state=DeliveryState.REFUSED)
    if now_s - delivery.since_s >= rules.give_up_after_s:
        return replace(tried, state=DeliveryState.EXPIRED)
    return replace(tried, due_s=now_s + _wait_s(tried.attempts, answer, jitter, rules))


def breaker_after(
    breaker: CircuitBreaker,
    answer: SendResult,
    now_s: float,
    jitter: float,
    rules: RetryRules,
    *,
    newest_seq: int,
) -> CircuitBreaker:
    """The line after an attempt; `newest_seq` is the latest alert that is known to wait."""
    if answer.outcome in {SendOutcome.NOT_SENT, SendOutcome.MAYBE_SENT}:
        failures = breaker.failures + 1
        return replace(
            breaker, failures=failures, rests_until_s=now_s + _wait_s(failures, answer, jitter, rules)
        )
    if breaker.failures:  # it works again: all that waited till now is backlog
        return CircuitBreaker(backlog_seq=max(breaker.backlog_seq, newest_seq))
    return breaker


def pick(
    deliveries: Iterable[Delivery],
    breaker: CircuitBreaker,
    now_s: float,
    *,
    free_from_s: float = float("-inf"),
) -> Delivery | None:
    """The delivery to try now, by the order above, or None when nothing is due.

    Before `free_from_s`, the sink's pace allows urgent deliveries only.
    """
    if now_s < breaker.rests_until_s:
        return None
    due = [
        delivery
        for delivery in deliveries
        if delivery.state is DeliveryState.WAITING and delivery.due_s <= now_s
    ]
    urgent = [delivery for delivery in due if delivery.urgent]
    if now_s < free_from_s:
        due = urgent
    if not due:
        return None
    if breaker.failures:
        return min(due, key=lambda delivery: (delivery.attempts, -delivery.seq))
    fresh = urgent or [delivery for delivery in due if delivery.seq > breaker.backlog_seq]
    if fresh:
        return min(fresh, key=lambda delivery: delivery.seq)
    return max(due, key=lambda delivery: delivery.seq)


def next_s(
    deliveries: Iterable[Delivery], breaker: CircuitBreaker, *, free_from_s: float = float("-inf")
) -> float | None:
    """When `pick` will next have something, or None when nothing waits."""
    waiting = [
        delivery.due_s if delivery.urgent else max(delivery.due_s, free_from_s)
        for delivery in deliveries
        if delivery.state is DeliveryState.WAITING
    ]
    return max(min(waiting), breaker.rests_until_s) if waiting else None


def tried_in_vain(deliveries: Iterable[Delivery], now_s: float) -> dict[str, Delivery]:
    """By alert: those that were due when an attempt at `now_s` found the way to the sink closed.

    That attempt was made for all of them: else one of many that wait would be tried hours later.
    """
    return {
        delivery.alert: replace(delivery, tried_s=now_s)
        for delivery in deliveries
        if delivery.tried_s is None and delivery.due_s <= now_s and delivery.state is DeliveryState.WAITING
    }


def to_pass_on(deliveries: Iterable[Delivery], instead: Instead | None, now_s: float) -> list[Delivery]:
    """Those to be given to another sink as well: they could not be delivered for long enough."""
    if instead is None:
        return []
    return [each for each in deliveries if _pass_on_s(each, instead) <= now_s]


def pass_on_next_s(deliveries: Iterable[Delivery], instead: Instead | None) -> float | None:
    """When `to_pass_on` will next have one if nothing is delivered till then; None: never."""
    if instead is None:
        return None
    soonest_s = min((_pass_on_s(each, instead) for each in deliveries), default=math.inf)
    return soonest_s if soonest_s < math.inf else None


def _pass_on_s(delivery: Delivery, instead: Instead) -> float:
    """When the delivery is to be given to the other sink as well; infinity: never.

    One that a recipient of several has was delivered, if not to all.
    """
    if not delivery.passes_on or delivery.passed_on or delivery.taken or delivery.tried_s is None:
        return math.inf
    return delivery.tried_s + instead.after_s if delivery.state is DeliveryState.WAITING else math.inf


def too_late(
    deliveries: Iterable[Delivery], breaker: CircuitBreaker, now_s: float, rules: RetryRules
) -> list[Delivery]:
    """The deliveries to put into one digest, newest first; none while the line fails, or for a few."""
    if breaker.failures:
        return []
    late = [
        delivery
        for delivery in deliveries
        if delivery.digests
        and delivery.state is DeliveryState.WAITING
        and now_s - delivery.since_s + delivery.extra_age_s >= rules.late_after_s
    ]
    return sorted(late, key=lambda delivery: -delivery.seq) if len(late) >= rules.digest_from else []


def _wait_s(failures: int, answer: SendResult, jitter: float, rules: RetryRules) -> float:
    asked_s = min(answer.retry_after_s or 0.0, rules.longest_retry_after_s)
    return max(backoff_s(failures, jitter, rules), asked_s)
