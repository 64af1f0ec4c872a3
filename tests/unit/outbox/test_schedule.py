from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.outbox.schedule import (
    CircuitBreaker,
    Delivery,
    DeliveryState,
    Instead,
    RetryRules,
    after,
    backoff_s,
    breaker_after,
    next_s,
    pass_on_next_s,
    pick,
    restored,
    to_pass_on,
    too_late,
    tried_in_vain,
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


def delivery(seq: int = 1, **changes: Any) -> Delivery:
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
    breaker, now_s = CircuitBreaker(), NOW_S
    sent: list[int] = []
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


def test_the_defaults_are_those_that_owners_are_told() -> None:
    """Where a change is meant, the README and the references change with it."""
    assert RetryRules() == RetryRules(
        first_s=5,
        cap_s=5 * 60,
        longest_retry_after_s=6 * 60 * 60,
        give_up_after_s=7 * 24 * 60 * 60,
        late_after_s=60 * 60,
        digest_from=3,
        per_hour=120,
        burst=60,
    )


def test_a_delivery_begins_untried_and_goes_to_its_own_sink_alone() -> None:
    new = Delivery("alert-1", "phone", 1, since_s=NOW_S, due_s=NOW_S)
    assert (new.state, new.attempts, new.maybe, new.tried_s) == (DeliveryState.WAITING, 0, 0, None)
    assert not any((new.urgent, new.digests, new.passes_on, new.passed_on, new.instead_of))
    assert new.extra_age_s == 0
    assert CircuitBreaker() == CircuitBreaker(0, float("-inf"), 0)


def test_after_a_restart_it_was_first_tried_as_long_ago_as_it_had_been() -> None:
    tried = delivery(attempts=2)
    again = restored(tried, wait_s=7, age_s=90, now_s=NOW_S, rules=RULES, trying_s=60)
    assert (again.since_s, again.due_s, again.tried_s) == (NOW_S - 90, NOW_S + 7, NOW_S - 60)
    assert restored(tried, wait_s=7, age_s=90, now_s=NOW_S, rules=RULES).tried_s == NOW_S
    behind = restored(
        tried, wait_s=-1, age_s=-1, now_s=NOW_S, rules=RULES, trying_s=-1
    )  # a clock that was set
    assert (behind.since_s, behind.due_s, behind.tried_s) == (NOW_S, NOW_S, NOW_S)
    untried = restored(delivery(), wait_s=7, age_s=90, now_s=NOW_S, rules=RULES, trying_s=60)
    assert untried.tried_s is None


def test_after_a_restart_no_wait_is_longer_than_the_longest_promise() -> None:
    def waits(wait_s: float, rules: RetryRules) -> float:
        again = restored(delivery(), wait_s=wait_s, age_s=0, now_s=NOW_S, rules=rules)
        return again.due_s - NOW_S

    assert waits(9000, RULES) == RULES.longest_retry_after_s
    assert waits(9000, replace(RULES, cap_s=5000)) == 5000


def test_the_first_try_is_kept() -> None:
    once = after(delivery(), DOWN, NOW_S, 0, RULES)
    assert once.tried_s == NOW_S
    assert after(once, DOWN, NOW_S + 60, 0, RULES).tried_s == NOW_S
    assert after(delivery(), SENT, NOW_S + 3, 0, RULES).due_s == NOW_S + 3


def test_a_delivery_that_is_exactly_too_old_ends() -> None:
    old = delivery(since_s=NOW_S - RULES.give_up_after_s)
    assert after(old, MAYBE, NOW_S, 0, RULES).state is DeliveryState.EXPIRED


def test_what_maybe_arrived_closes_the_way_as_a_failure_does() -> None:
    for answer in (DOWN, MAYBE):
        breaker = breaker_after(CircuitBreaker(1, NOW_S, 4), answer, NOW_S, 1.0, RULES, newest_seq=9)
        assert breaker == CircuitBreaker(2, NOW_S + 10, 4)
    working = CircuitBreaker(backlog_seq=4)
    assert breaker_after(working, SENT, NOW_S, 1.0, RULES, newest_seq=9) == working
    more = CircuitBreaker(1, NOW_S, backlog_seq=12)
    assert breaker_after(more, SENT, NOW_S, 1.0, RULES, newest_seq=9) == CircuitBreaker(backlog_seq=12)


def test_pace_holds_back_all_but_urgent_ones() -> None:
    urgent, plain = delivery(5, urgent=True), delivery(1)
    free_s = NOW_S + 100
    assert pick([plain, urgent], CircuitBreaker(), NOW_S, free_from_s=free_s) == urgent
    assert pick([plain], CircuitBreaker(), NOW_S, free_from_s=free_s) is None
    assert pick([plain], CircuitBreaker(), free_s, free_from_s=free_s) == plain
    assert next_s([plain], CircuitBreaker(), free_from_s=free_s) == free_s
    assert next_s([plain, urgent], CircuitBreaker(), free_from_s=free_s) == NOW_S
    assert pick([plain, urgent], CircuitBreaker(), NOW_S) == urgent  # and goes before what is older


def test_a_way_that_fails_is_tried_with_the_one_that_was_tried_least() -> None:
    breaker = CircuitBreaker(failures=1, rests_until_s=NOW_S)
    assert pick([delivery(1, attempts=2), delivery(2, attempts=1)], breaker, NOW_S) == delivery(2, attempts=1)
    assert pick([delivery(1), delivery(2)], breaker, NOW_S) == delivery(2)


def test_what_ended_is_neither_picked_nor_waited_for() -> None:
    done = delivery(1, state=DeliveryState.SENT)
    assert pick([done], CircuitBreaker(), NOW_S) is None
    assert next_s([done], CircuitBreaker()) is None
    assert next_s([done, delivery(2, due_s=NOW_S + 9)], CircuitBreaker()) == NOW_S + 9


def test_an_attempt_that_found_the_way_closed_was_made_for_all_that_were_due() -> None:
    due, later = delivery(1, due_s=NOW_S), delivery(2, due_s=NOW_S + 0.1)
    before, done = delivery(3, tried_s=NOW_S - 5), delivery(4, state=DeliveryState.REFUSED)
    found = tried_in_vain([due, later, before, done], NOW_S)
    assert found == {"alert-1": replace(due, tried_s=NOW_S)}


def test_what_cannot_be_delivered_for_long_enough_is_passed_on() -> None:
    post = Instead("post", after_s=600)
    waits = delivery(1, passes_on=True, tried_s=NOW_S)
    others = [
        delivery(2, tried_s=NOW_S),
        delivery(3, passes_on=True),  # not tried yet
        delivery(4, passes_on=True, passed_on=True, tried_s=NOW_S),
        delivery(5, passes_on=True, tried_s=NOW_S, taken=frozenset({"one@alder-row.example"})),
        delivery(6, passes_on=True, tried_s=NOW_S, state=DeliveryState.SENT),
    ]
    assert to_pass_on([waits, *others], post, NOW_S + 599.9) == []
    assert to_pass_on([waits, *others], post, NOW_S + 600) == [waits]
    assert to_pass_on([waits], None, NOW_S + 600) == []
    assert pass_on_next_s([*others, waits], post) == NOW_S + 600
    assert pass_on_next_s(others, post) is None
    assert pass_on_next_s([waits], None) is None


def test_late_ones_are_gathered_newest_first_once_there_are_enough() -> None:
    late = [delivery(seq, digests=True, since_s=NOW_S - RULES.late_after_s) for seq in (1, 3, 2)]
    assert [each.seq for each in too_late(late, CircuitBreaker(), NOW_S, RULES)] == [3, 2, 1]
    assert too_late(late[:2], CircuitBreaker(), NOW_S, RULES) == []
    assert too_late(late, CircuitBreaker(failures=1), NOW_S, RULES) == []
    young = [replace(late[0], since_s=NOW_S - RULES.late_after_s + 1), *late[1:]]
    assert too_late(young, CircuitBreaker(), NOW_S, RULES) == []
    dark = [replace(young[0], extra_age_s=1.0), *late[1:]]  # without power the clock stood still
    assert len(too_late(dark, CircuitBreaker(), NOW_S, RULES)) == 3
    assert too_late([replace(late[0], digests=False), *late[1:]], CircuitBreaker(), NOW_S, RULES) == []
    sent = [replace(late[0], state=DeliveryState.SENT), *late[1:]]
    assert too_late(sent, CircuitBreaker(), NOW_S, RULES) == []
