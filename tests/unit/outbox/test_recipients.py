"""Two recipients behind one sink: one that is full or slow keeps nothing from the other."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.clock import FakeClock
from dooryard.core.records import Alert
from dooryard.outbox.recipients import concluded, paced, to_go, to_try
from dooryard.outbox.schedule import CircuitBreaker, Delivery, DeliveryState, RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.email import EmailSink
from servers.post_office import PostOffice, Script
from unit.outbox.builders import MONO_S, START, alert, decision, visit

LOG = logging.getLogger("dooryard.delivery")
ROBIN, WREN = "robin@alder-row.example", "wren@alder-row.example"


class Mailboxes:
    """A sink with two recipients; each answers as `says` has it at the time."""

    name = "post"
    recipients = (ROBIN, WREN)

    def __init__(self, **says: SendOutcome) -> None:
        self.says = {ROBIN: says.get("robin", SendOutcome.SENT), WREN: says.get("wren", SendOutcome.SENT)}
        self.got: dict[str, list[str]] = {ROBIN: [], WREN: []}
        self.tries: list[tuple[str, ...]] = []

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        return self.send_to(alert, picture, self.recipients)

    def send_to(self, alert: Alert, picture: bytes | None, wanted: Sequence[str]) -> SendResult:
        del picture
        self.tries.append(tuple(wanted))
        each = {name: self.says[name] for name in wanted}
        for name in wanted:
            if each[name] is SendOutcome.SENT:
                self.got[name].append(alert.title)
        order = (SendOutcome.MAYBE_SENT, SendOutcome.NOT_SENT, SendOutcome.SENT, SendOutcome.REFUSED)
        return SendResult(
            next(outcome for outcome in order if outcome in each.values()), "as told", each=each
        )

    def close(self) -> None:
        """Nothing is open."""


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(START, MONO_S)


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Iterator[Store]:
    made = Store.open(tmp_path / "state", clock)
    yield made
    made.close()


def worker(store: Store, clock: FakeClock, sink: Mailboxes | EmailSink) -> DeliveryWorker:
    return DeliveryWorker(store, sink, clock, LOG, rules=RetryRules(), jitter=lambda: 1.0)


def come_by(store: Store, numbers: range) -> list[str]:
    for number in numbers:
        one = visit(number)
        told = alert(number, one, ("post",), title=f"visit {number}", picture=None)
        store.record_visit(one, None, decision(one), [told])
    return [f"visit {number}" for number in numbers]


def run(worker: DeliveryWorker, clock: FakeClock, until_s: float) -> None:
    end_s = clock.now().mono_s + until_s
    while (wait_s := worker.tick()) is not None and clock.now().mono_s + wait_s <= end_s:
        clock.advance(wait_s)
    clock.advance(max(0.0, end_s - clock.now().mono_s))


def test_a_full_mailbox_delays_the_other_by_nothing(store: Store, clock: FakeClock) -> None:
    sink = Mailboxes(wren=SendOutcome.NOT_SENT)
    post = worker(store, clock, sink)
    titles = come_by(store, range(6))
    run(post, clock, 1.0)
    assert sink.got == {ROBIN: titles, WREN: []}
    assert post.failing_since_s is None
    # The full one is asked now and then, and once it has room gets them all; the other none twice.
    run(post, clock, 600.0)
    assert 5 <= sum(WREN in wanted for wanted in sink.tries) <= 20
    titles += come_by(store, range(6, 8))
    run(post, clock, 1.0)
    assert sink.got[ROBIN] == titles
    sink.says[WREN] = SendOutcome.SENT
    run(post, clock, 600.0)
    assert sorted(sink.got[WREN]) == titles
    assert sink.got[ROBIN] == titles
    assert store.counts() == {"post": {"sent": 8}}


def test_who_has_it_is_known_after_a_restart(store: Store, clock: FakeClock) -> None:
    titles = come_by(store, range(3))
    run(worker(store, clock, Mailboxes(wren=SendOutcome.NOT_SENT)), clock, 1.0)
    again = Mailboxes()
    run(worker(store, clock, again), clock, 600.0)
    assert again.got[ROBIN] == []
    assert sorted(again.got[WREN]) == titles


def test_late_ones_are_gathered_for_the_one_that_lacks_them(store: Store, clock: FakeClock) -> None:
    sink = Mailboxes(wren=SendOutcome.NOT_SENT)
    post = worker(store, clock, sink)
    titles = come_by(store, range(5))
    run(post, clock, 3 * 3600.0)
    sink.says[WREN] = SendOutcome.SENT
    run(post, clock, 600.0)
    assert sink.got == {ROBIN: titles, WREN: ["5 alerts that could not be sent in time"]}


def test_when_nobody_can_be_reached_the_line_rests(store: Store, clock: FakeClock) -> None:
    sink = Mailboxes(robin=SendOutcome.NOT_SENT, wren=SendOutcome.NOT_SENT)
    post = worker(store, clock, sink)
    come_by(store, range(5))
    run(post, clock, 1.0)
    assert len(sink.tries) == 1
    assert post.failing_since_s is not None


def test_one_turned_away_for_good_is_not_asked_again_until_its_owner_wants_it(
    store: Store, clock: FakeClock
) -> None:
    from dooryard.outbox import queue

    sink = Mailboxes(robin=SendOutcome.REFUSED, wren=SendOutcome.NOT_SENT)
    post = worker(store, clock, sink)
    come_by(store, range(1))
    run(post, clock, 100.0)
    assert sink.tries[0] == (ROBIN, WREN)
    assert set(sink.tries[1:]) == {(WREN,)}
    sink.says[WREN] = SendOutcome.REFUSED
    run(post, clock, 600.0)
    assert store.counts() == {"post": {"refused": 1}}
    ids = [row["alert"] for row in store._engine.select(dict, "SELECT alert FROM deliveries")]
    with store._engine.writing("trying again") as db:
        assert queue.start_over(db, ids, "post") == 1
    sink.says = {ROBIN: SendOutcome.SENT, WREN: SendOutcome.SENT}
    run(post, clock, 600.0)
    assert sink.tries[-1] == (ROBIN, WREN)
    assert store.counts() == {"post": {"sent": 1}}


def test_a_recipient_that_the_box_file_no_longer_has_holds_nothing_up(store: Store, clock: FakeClock) -> None:
    come_by(store, range(2))
    run(worker(store, clock, Mailboxes(wren=SendOutcome.NOT_SENT)), clock, 1.0)
    only = Mailboxes()
    only.recipients = (ROBIN,)  # type: ignore[assignment]  # the box file was changed
    run(worker(store, clock, only), clock, 600.0)
    assert only.tries == []
    assert store.counts() == {"post": {"sent": 2}}


def test_through_a_mail_server(store: Store, clock: FakeClock) -> None:
    full = ["450 4.2.2 mailbox full"] * 3
    titles = come_by(store, range(6))
    with PostOffice(Script(rcpt={WREN: full})) as office:
        post = EmailSink(
            "post", "127.0.0.1", office.port, sender="box@alder-row.example", recipients=[ROBIN, WREN],
            security="none", now=lambda: 1_781_442_000.0,
        )  # fmt: skip
        ticking = worker(store, clock, post)
        run(ticking, clock, 1.0)
        assert [mail.recipients for mail in office.mails] == [[ROBIN]] * len(titles)
        run(ticking, clock, 600.0)
    assert [mail.recipients for mail in office.mails[6:]] == [[WREN]] * len(titles)


outcomes = st.sampled_from(list(SendOutcome))


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(outcomes, outcomes, st.floats(0, 400)), max_size=30))
def test_nobody_gets_it_twice_for_sure_and_nobody_is_forgotten(
    days: list[tuple[SendOutcome, SendOutcome, float]],
) -> None:
    delivery, now_s = Delivery("a", "post", 1, 0.0, 0.0), 0.0
    resting: Mapping[str, CircuitBreaker] = {}
    recipients = (ROBIN, WREN)
    for robin, wren, passes_s in days:
        now_s += passes_s
        (shown,) = paced([delivery], recipients, resting)
        wanted = to_try(delivery, recipients, resting, now_s)
        if not to_go(delivery, recipients):
            break
        if shown.due_s > now_s:
            assert not wanted
            continue
        assert wanted
        says = {ROBIN: robin, WREN: wren}
        each = {name: says[name] for name in wanted}
        answer = SendResult(next(iter(each.values())), "", each=each)
        outcome = concluded(delivery, answer, recipients, resting, now_s, 0.5, RetryRules())
        for name in wanted:
            assert (name in outcome.delivery.taken) == (says[name] is SendOutcome.SENT)
        settled = outcome.answer.outcome in {SendOutcome.SENT, SendOutcome.REFUSED}
        assert settled == (not to_go(outcome.delivery, recipients))
        delivery, resting = outcome.delivery, outcome.resting
    assert delivery.state is DeliveryState.WAITING
