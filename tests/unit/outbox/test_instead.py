"""What a sink could not be given goes to another as well, once; the first still gets it."""

from __future__ import annotations

import logging
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.clock import FakeClock
from dooryard.outbox.schedule import (
    Delivery,
    DeliveryState,
    Instead,
    RetryRules,
    after,
    pass_on_next_s,
    restored,
    to_pass_on,
    tried_in_vain,
)
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.memory import MemorySink
from fakes.away import Away
from fakes.rules import later, policy
from unit.outbox.builders import MONO_S, START, alert, decision, visit

TO_POST = Instead("post", 900.0)
DELIVERY = Delivery("a", "phone", 1, since_s=0.0, due_s=0.0, passes_on=True)
RULES = RetryRules()
FAILED = SendResult(SendOutcome.NOT_SENT, "no network")
OWN = {"name": "phone", "instead": "post", "instead_after_min": 15}
HOUR_S = 3600.0


# --- the pure part ---


def test_the_time_counts_from_the_first_try():
    tried = after(DELIVERY, FAILED, 100.0, 0.5, RULES)
    assert tried.tried_s == 100.0
    again = after(tried, FAILED, 500.0, 0.5, RULES)
    assert again.tried_s == 100.0
    assert to_pass_on([again], TO_POST, 999.9) == []
    assert to_pass_on([again], TO_POST, 1000.0) == [again]
    assert pass_on_next_s([again, DELIVERY], TO_POST) == 1000.0


@pytest.mark.parametrize(
    "changes",
    [
        {"tried_s": None},
        {"passes_on": False},
        {"passed_on": True},
        {"taken": frozenset({"robin"})},  # one of several recipients has it
        {"state": DeliveryState.SENT},
        {"state": DeliveryState.DROPPED},
    ],
)
def test_what_is_not_passed_on(changes):
    delivery = replace(DELIVERY, **({"tried_s": 0.0} | changes))
    assert to_pass_on([delivery], TO_POST, 10_000.0) == []
    assert pass_on_next_s([delivery], TO_POST) is None


def test_without_instead_nothing_is():
    assert to_pass_on([replace(DELIVERY, tried_s=0.0)], None, 10_000.0) == []
    assert pass_on_next_s([replace(DELIVERY, tried_s=0.0)], None) is None


def test_what_waits_behind_an_attempt_in_vain_counts_as_tried():
    later_due, tried = replace(DELIVERY, alert="b", due_s=50.0), replace(DELIVERY, alert="c", tried_s=3.0)
    assert tried_in_vain([DELIVERY, later_due, tried], 10.0) == {"a": replace(DELIVERY, tried_s=10.0)}


def test_over_a_restart_the_time_goes_on():
    delivery = restored(
        replace(DELIVERY, attempts=3), wait_s=60, age_s=700, trying_s=600, now_s=50.0, rules=RULES
    )
    assert delivery.tried_s == -550.0
    assert pass_on_next_s([delivery], TO_POST) == 350.0
    new = restored(DELIVERY, wait_s=0, age_s=0, trying_s=0, now_s=50.0, rules=RULES)
    assert new.tried_s is None


# --- with workers, a store and a phone that is away ---


def of(away, sink):
    return [each[0] for each in away.got[sink]]


def test_an_hour_without_the_phone_each_alert_is_told_by_the_post_and_by_the_phone_in_the_end():
    away = Away(policy({"cooldown_min": 0, "at_most_per_day": 1000}, sink=[OWN]), from_s=0, to_s=HOUR_S)
    comes = [60.0 * k for k in range(90)]
    away.play(visits=comes, until_s=3 * HOUR_S)
    late = [f"visit-{k + 1}" for k, at_s in enumerate(comes) if at_s <= HOUR_S - 900]
    assert set(late) <= set(of(away, "post"))
    assert set(of(away, "phone")) >= {f"visit-{k + 1}" for k, at_s in enumerate(comes) if at_s >= HOUR_S}
    assert len(set(of(away, "post"))) == len(of(away, "post"))
    assert all(marked for _id, _at, marked in away.got["post"])
    assert not any(marked for _id, _at, marked in away.got["phone"])


def test_what_arrives_in_time_is_not_passed_on():
    away = Away(policy({}, sink=[OWN]), from_s=0, to_s=600)
    away.play(visits=[0], until_s=2 * HOUR_S)
    assert (of(away, "phone"), of(away, "post")) == (["visit-1"], [])


def test_one_that_has_it_already_is_not_given_it_twice():
    away = Away(policy({}, sink=[OWN]), from_s=0, to_s=HOUR_S, sinks=("phone", "post"))
    away.play(visits=[0], until_s=2 * HOUR_S)
    assert away.got["post"] == [("visit-1", "14:03", False)]
    assert of(away, "phone") == ["visit-1"]


@pytest.mark.parametrize("restart_every_s", [310.0, 1000.0])
def test_restarts_neither_lose_nor_double_it(restart_every_s):
    """They come no faster than the longest wait between two tries, or nothing would ever be tried."""
    away = Away(policy({}, sink=[OWN]), from_s=0, to_s=HOUR_S, restart_every_s=restart_every_s)
    away.play(visits=[0, 600], until_s=2 * HOUR_S)
    assert sorted(of(away, "post")) == ["visit-1", "visit-2"]
    assert sorted(of(away, "phone")) == ["visit-1", "visit-2"]


def test_what_the_phone_refuses_for_good_goes_to_the_post_at_once():
    away = Away(policy({}, sink=[OWN]), from_s=0, to_s=HOUR_S, outcome=SendOutcome.REFUSED)
    away.play(visits=[0], until_s=2 * HOUR_S)
    assert away.got == {"phone": [], "post": [("visit-1", "14:03", True)]}


def test_the_quiet_hours_of_the_other_hold():
    """The phone is away at 22:30, and the post is quiet until 23:30."""
    quiet = {"name": "post", "quiet": {"from": "22:00", "to": "23:30"}}
    away = Away(policy({}, sink=[OWN, quiet]), from_s=0, to_s=3 * HOUR_S, start=later(8 * HOUR_S + 27 * 60))
    away.play(visits=[0], until_s=2 * HOUR_S)
    assert away.got["post"] == [("visit-1", "23:30", True)]


def test_while_the_phone_is_quiet_nothing_is_passed_on():
    """It waits for the phone's quiet hours to end, and the time begins with the first try after them."""
    quiet = OWN | {"quiet": {"from": "22:00", "to": "23:30"}}
    evening = later(8 * HOUR_S + 27 * 60)  # 22:30
    away = Away(policy({}, sink=[quiet]), from_s=0, to_s=3 * HOUR_S, start=evening)
    away.play(visits=[0], until_s=2 * HOUR_S)
    assert away.got["post"] == [("visit-1", "23:45", True)]


def test_quiet_of_one_sink_while_the_other_is_told():
    quiet = {"name": "phone", "quiet": {"from": "22:00", "to": "23:30"}}
    evening, both = later(8 * HOUR_S + 27 * 60), ("phone", "post")
    away = Away(policy({}, sink=[quiet]), from_s=0, to_s=0, start=evening, sinks=both)
    away.play(visits=[0], until_s=2 * HOUR_S)
    assert away.got == {"phone": [("visit-1", "23:30", False)], "post": [("visit-1", "22:30", False)]}


def test_a_changed_policy_takes_effect():
    away = Away(policy({}), from_s=0, to_s=HOUR_S)
    turned = policy({}, sink=[OWN])

    def instead(sink, old=away._instead):
        if away.t_s > 1200:
            away.policy = turned
        return old(sink)

    away._instead = instead
    away.play(visits=[0], until_s=2 * HOUR_S)
    ((_visit, at, marked),) = away.got["post"]
    assert ("14:23" <= at <= "14:28", marked) == (True, True)


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.floats(0, 2 * HOUR_S), min_size=1, max_size=6),
    st.floats(0, HOUR_S),
    st.floats(0, 2 * HOUR_S),
    st.sampled_from([float("inf"), 400.0, 1700.0]),
)
def test_each_is_told_once_by_each_that_is_to_tell_it(visits, from_s, lasts_s, restart_every_s):
    rules = policy({"cooldown_min": 0}, sink=[OWN])
    away = Away(rules, from_s=from_s, to_s=from_s + lasts_s, restart_every_s=restart_every_s)
    away.play(visits=visits, until_s=5 * HOUR_S)
    phone, post = of(away, "phone"), of(away, "post")
    assert len(set(phone)) == len(phone)
    assert len(set(post)) == len(post)
    told_late = any(each.startswith("01") for each in phone)  # three late ones come as one message
    if not told_late:
        assert sorted(phone) == sorted(f"visit-{k + 1}" for k in range(len(visits)))
    assert not (post and lasts_s < 900)


# --- in the store ---


@pytest.fixture
def store(tmp_path):
    made = Store.open(tmp_path / "state", FakeClock(START, MONO_S))
    yield made
    made.close()


@pytest.mark.parametrize("kind", ["summary", "journal", "box", "visit"])
def test_summaries_and_journals_are_not_passed_on(store, kind):
    store.add_alert(alert(1, kind=kind))
    clock, woken = FakeClock(START, MONO_S), []
    worker = DeliveryWorker(
        store, MemorySink("phone", [FAILED] * 99), clock, logging.getLogger("test"), rules=RULES,
        jitter=lambda: 1.0, instead=lambda: TO_POST, wake=lambda: woken.append(1),
    )  # fmt: skip
    for _ in range(40):
        worker.tick()
        clock.advance(60)
    passed = kind in ("box", "visit")
    assert (len(store.pending("post")), len(woken)) == ((1, 1) if passed else (0, 0))


def test_the_worker_looks_when_it_is_time_even_if_the_sink_wishes_to_be_left_alone(store):
    store.add_alert(alert(1))
    clock = FakeClock(START, MONO_S)
    busy = SendResult(SendOutcome.NOT_SENT, "busy", retry_after_s=6 * HOUR_S)
    worker = DeliveryWorker(
        store, MemorySink("phone", [busy]), clock, logging.getLogger("test"), rules=RULES,
        jitter=lambda: 1.0, instead=lambda: TO_POST,
    )  # fmt: skip
    assert worker.tick() == 0.0
    assert worker.tick() == pytest.approx(900.0)
    clock.advance(900.0)
    assert worker.tick() > HOUR_S
    assert len(store.pending("post")) == 1


def test_once_passed_on_a_restart_does_not_give_it_to_a_third(store):
    seen = visit(1)
    store.record_visit(seen, None, decision(seen), [alert(1, seen)])
    assert store.pass_on([alert(1, seen).id], "phone", "post") == 1
    assert store.pass_on([alert(1, seen).id], "phone", "post") == 0
    (phone,), (post,) = store.pending("phone"), store.pending("post")
    assert (phone.passed_on, phone.instead_of) == (True, "")
    assert (post.passed_on, post.instead_of) == (False, "phone")
