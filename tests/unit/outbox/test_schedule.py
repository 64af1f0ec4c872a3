from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.outbox.schedule import (
    CircuitBreaker,
    Delivery,
    DeliveryState,
    RetryRules,
    after,
    backoff_s,
    breaker_after,
    next_s,
    pick,
    restored,
)
from dooryard.sinks.base import SendOutcome, SendResult

NOW_S = 7_000_000.0
RULES = RetryRules(first_s=5, cap_s=300, longest_retry_after_s=3600, give_up_after_s=86400)
SENT, REFUSED = SendResult(SendOutcome.SENT, "HTTP 204"), SendResult(SendOutcome.REFUSED, "HTTP 404")
DOWN, MAYBE = (
    SendResult(SendOutcome.NOT_SENT, "the name was not found"),
    SendResult(SendOutcome.MAYBE_SENT, "reset"),
)

jitters = st.floats(0, 1)
failures = st.sampled_from([SendOutcome.NOT_SENT, SendOutcome.MAYBE_SENT])


def delivery(seq: int = 1, **changes: object) -> Delivery:
    return replace(Delivery(f"alert-{seq}", "phone", seq, since_s=NOW_S, due_s=NOW_S), **changes)


def test_the_wait_doubles_up_to_the_cap() -> None:
    assert [backoff_s(n, 1.0, RULES) for n in (1, 2, 3, 6, 7, 8, 5000)] == [5, 10, 20, 160, 300, 300, 300]
    assert backoff_s(1, 0.0, RULES) == 2.5


@pytest.mark.parametrize(("answer", "state"), [(SENT, DeliveryState.SENT), (REFUSED, DeliveryState.REFUSED)])
def test_a_final_answer_ends_the_delivery(answer: SendResult, state: DeliveryState) -> None:
    done = after(delivery(), answer, NOW_S + 3, 0.5, RULES)
    assert (done.state, done.attempts, done.answer) == (state, 1, answer.text)
    assert next_s([done], CircuitBreaker()) is None
    assert pick([done], CircuitBreaker(), NOW_S + 10**9) is None


def test_maybe_sent_is_counted_apart() -> None:
    tried = after(after(delivery(), MAYBE, NOW_S, 0, RULES), DOWN, NOW_S + 60, 0, RULES)
    assert (tried.attempts, tried.maybe, tried.state) == (2, 1, DeliveryState.WAITING)


def test_a_delivery_ends_only_with_a_failure_past_its_age() -> None:
    old = delivery(since_s=NOW_S - RULES.give_up_after_s - 1)
    assert pick([old], CircuitBreaker(), NOW_S) == old  # it still gets its attempt
    assert after(old, SENT, NOW_S, 0, RULES).state is DeliveryState.SENT
    assert after(old, DOWN, NOW_S, 0, RULES).state is DeliveryState.EXPIRED
    assert (
        after(delivery(since_s=NOW_S - RULES.give_up_after_s + 1), DOWN, NOW_S, 0, RULES).state
        is DeliveryState.WAITING
    )


@settings(deadline=None)
@given(st.integers(0, 10_000), failures, st.one_of(st.none(), st.floats(0, 1e7)), jitters)
def test_never_earlier_than_promised_and_never_later_than_the_longest(
    attempts: int, outcome: SendOutcome, asked_s: float | None, jitter: float
) -> None:
    before = delivery(attempts=attempts)
    tried = after(before, SendResult(outcome, "", asked_s), NOW_S, jitter, RULES)
    wait_s = tried.due_s - NOW_S
    own = min(300.0, 5.0 * 2.0 ** min(attempts, 20))
    asked = min(asked_s or 0.0, RULES.longest_retry_after_s)
    slack = 1e-6  # sums near 7e6 are exact to about 1e-9
    assert wait_s >= max(own / 2, asked) - slack
    assert wait_s <= max(own, asked) + slack
    assert pick([tried], CircuitBreaker(), tried.due_s - 0.001) is None
    assert pick([tried], CircuitBreaker(), tried.due_s) == tried


@settings(deadline=None)
@given(st.floats(-10, 1e9), st.floats(-10, 1e9), st.floats(0, 1e7))
def test_after_a_restart_it_is_due_within_its_last_wait(wait_s: float, age_s: float, boot_s: float) -> None:
    again = restored(delivery(), wait_s=wait_s, age_s=age_s, now_s=boot_s, rules=RULES)
    assert boot_s <= again.due_s <= boot_s + min(max(wait_s, 0), 3600.0)
    assert again.since_s <= boot_s
    assert again.state is DeliveryState.WAITING


def test_while_the_line_works_alerts_go_in_order() -> None:
    waiting = [delivery(3), delivery(1), delivery(2)]
    assert pick(waiting, CircuitBreaker(), NOW_S) == waiting[1]


def test_a_failing_line_rests_and_then_tries_another_alert() -> None:
    breaker = breaker_after(CircuitBreaker(), DOWN, NOW_S, 1.0, RULES, newest_seq=3)
    tried = after(delivery(3), DOWN, NOW_S, 0.0, RULES)
    waiting = [delivery(1), delivery(2), tried]
    assert pick(waiting, breaker, NOW_S + 4.9) is None
    assert next_s(waiting, breaker) == NOW_S + 5
    assert pick(waiting, breaker, NOW_S + 5) == waiting[1]


def test_after_an_outage_new_ones_go_first_in_order_and_the_backlog_newest_first() -> None:
    breaker = CircuitBreaker(failures=4, rests_until_s=NOW_S)
    breaker = breaker_after(breaker, SENT, NOW_S, 0.5, RULES, newest_seq=3)
    assert breaker == CircuitBreaker(backlog_seq=3)
    waiting = {seq: delivery(seq) for seq in (1, 2, 3, 4, 5)}
    order = []
    while (chosen := pick(waiting.values(), breaker, NOW_S)) is not None:
        order.append(chosen.seq)
        breaker = breaker_after(breaker, SENT, NOW_S, 0.5, RULES, newest_seq=5)
        del waiting[chosen.seq]
    assert order == [4, 5, 3, 2, 1]


def test_a_refusal_shows_that_the_line_works() -> None:
    assert breaker_after(
        CircuitBreaker(failures=2), REFUSED, NOW_S, 0.5, RULES, newest_seq=7
    ) == CircuitBreaker(backlog_seq=7)


def test_an_alert_that_always_fails_does_not_hold_up_the_others() -> None:
    waiting = {seq: delivery(seq) for seq in range(1, 21)}
    breaker, now_s, sent = CircuitBreaker(), NOW_S, []
    while len(sent) < 19:
        chosen = pick(waiting.values(), breaker, now_s)
        if chosen is None:
            now_s = next_s(waiting.values(), breaker) or 0.0
            continue
        answer = DOWN if chosen.seq == 1 else SENT
        done = after(chosen, answer, now_s, 1.0, RULES)
        breaker = breaker_after(breaker, answer, now_s, 1.0, RULES, newest_seq=20)
        if done.state is DeliveryState.SENT:
            sent.append(done.seq)
            del waiting[done.seq]
        else:
            waiting[done.seq] = done
    assert now_s - NOW_S < 300
    assert waiting[1].state is DeliveryState.WAITING


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([*SendOutcome]), st.floats(0, 4000), jitters), max_size=60),
    st.integers(1, 8),
)
def test_every_delivery_is_made_or_ends_with_a_reason_once_the_receiver_is_well(
    script: list[tuple[SendOutcome, float, float]], count: int
) -> None:
    """Whatever the receiver does for a while, afterwards each alert is told once more, and soon."""
    waiting = {seq: delivery(seq) for seq in range(1, count + 1)}
    breaker, now_s, answers, ended = CircuitBreaker(), NOW_S, list(script), {}
    well_since_s = None
    while waiting:
        chosen = pick(waiting.values(), breaker, now_s)
        if chosen is None:
            due_s = next_s(waiting.values(), breaker)
            assert due_s is not None
            assert due_s > now_s  # else this would be a loop without a wait
            now_s = due_s
            continue
        outcome, asked_s, jitter = answers.pop() if answers else (SendOutcome.SENT, 0.0, 0.5)
        if not answers and well_since_s is None:
            well_since_s = now_s
        answer = SendResult(outcome, outcome.value, asked_s)
        done = after(chosen, answer, now_s, jitter, RULES)
        breaker = breaker_after(breaker, answer, now_s, jitter, RULES, newest_seq=count)
        if done.state is DeliveryState.WAITING:
            waiting[done.seq] = done
        else:
            del waiting[done.seq]
            ended[done.seq] = done
    assert sorted(ended) == list(range(1, count + 1))
    assert all(each.answer for each in ended.values())
    assert well_since_s is None or now_s - well_since_s <= RULES.longest_retry_after_s * 2
