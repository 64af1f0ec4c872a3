from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.errors import StoreError
from dooryard.core.records import Alert
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.schedule import Delivery, Instead, RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import STORE_RETRY_S, DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.memory import MemorySink
from unit.outbox.builders import JPEG, MONO_S, START, alert, decision, visit

LOG = logging.getLogger("dooryard.delivery")
DOWN = SendResult(SendOutcome.NOT_SENT, "the connection was refused")
BUSY = SendResult(SendOutcome.NOT_SENT, "HTTP 429", retry_after_s=120.0)
MAYBE = SendResult(SendOutcome.MAYBE_SENT, "reset")
GONE = SendResult(SendOutcome.REFUSED, "HTTP 410")


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(START, MONO_S)


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Iterator[Store]:
    made = Store.open(tmp_path / "state", clock)
    yield made
    made.close()


def worker(store: Store, clock: FakeClock, sink: MemorySink) -> DeliveryWorker:
    return DeliveryWorker(store, sink, clock, LOG, rules=RetryRules(first_s=10), jitter=lambda: 1.0)


def put(store: Store, count: int, first: int = 0) -> list[str]:
    alerts = [alert(number) for number in range(first, first + count)]
    for each in alerts:
        store.add_alert(each)
    return [each.id for each in alerts]


def ids(sink: MemorySink) -> list[str]:
    return [told.id for told, _ in sink.received]


def run(worker: DeliveryWorker, clock: FakeClock, turns: int = 1000) -> None:
    """Turn until nothing waits; time passes as the worker asks."""
    for _ in range(turns):
        wait_s = worker.tick()
        if wait_s is None:
            return
        clock.advance(wait_s)
    pytest.fail("still waiting")


def test_alerts_go_out_in_order_with_their_pictures(store: Store, clock: FakeClock) -> None:
    sink = MemorySink("phone")
    phone = worker(store, clock, sink)
    one = visit(1)
    store.record_visit(one, JPEG, decision(one), [alert(1, one)])
    told = [alert(1, one).id, *put(store, 3, 5)]
    run(phone, clock)
    assert ids(sink) == told
    assert [picture for _, picture in sink.received] == [JPEG, None, None, None]
    assert store.counts() == {"phone": {"sent": 4}}


def test_failures_are_tried_again_after_the_promised_wait(store: Store, clock: FakeClock) -> None:
    put(store, 1)
    sink = MemorySink("phone", [DOWN, BUSY, MAYBE])
    one = worker(store, clock, sink)
    waits = []
    while (wait_s := one.tick()) is not None:
        waits.append(wait_s)
        clock.advance(wait_s)
    assert [wait_s for wait_s in waits if wait_s] == [10.0, 120.0, 40.0]
    assert sink.attempts == 4
    # It may have arrived twice, both times under the same id.
    assert len(set(ids(sink))) == 1
    assert len(ids(sink)) == 2


def test_a_refusal_is_set_aside_with_its_answer(store: Store, clock: FakeClock) -> None:
    put(store, 2)
    run(worker(store, clock, MemorySink("phone", [GONE])), clock)
    assert store.counts() == {"phone": {"refused": 1, "sent": 1}}
    (row,) = store._engine.select(dict, "SELECT answer FROM deliveries WHERE state = 'refused'")
    assert row["answer"] == "HTTP 410"


def test_after_an_outage_the_newest_go_first(store: Store, clock: FakeClock) -> None:
    old = put(store, 4)
    sink = MemorySink("phone", [DOWN, DOWN])
    one = worker(store, clock, sink)
    one.tick()
    run(one, clock)
    assert sorted(ids(sink)) == sorted(old)
    assert ids(sink) != old
    assert ids(sink)[1:] == sorted(ids(sink)[1:], reverse=True)


def test_what_waited_before_a_restart_is_told_after_it(store: Store, clock: FakeClock) -> None:
    told = put(store, 3)
    first = worker(store, clock, MemorySink("phone", [BUSY]))
    first.tick()
    rebooted = FakeClock(START, 12.0)  # the monotonic clock starts again
    sink = MemorySink("phone")
    again = worker(store, rebooted, sink)
    run(again, rebooted)
    assert sorted(ids(sink)) == sorted(told)
    # The backlog goes newest first; the one that the receiver put off for two minutes waits them out.
    assert ids(sink) == [told[1], told[0], told[2]]
    assert rebooted.now().mono_s == pytest.approx(12.0 + 120.0)


def test_an_alert_dropped_from_the_store_is_forgotten(store: Store, clock: FakeClock) -> None:
    put(store, 1)
    sink = MemorySink("phone", [DOWN])
    one = worker(store, clock, sink)
    one.tick()
    with store._engine.writing("test") as db:
        db.execute("DELETE FROM alerts")
    assert one.tick() is None
    assert sink.attempts == 1


@pytest.mark.parametrize("unreadable", [False, True])
def test_a_picture_that_cannot_be_had_does_not_hold_up_the_words(
    store: Store, clock: FakeClock, caplog: pytest.LogCaptureFixture, unreadable: bool
) -> None:
    one = visit(1)
    store.record_visit(one, JPEG, decision(one), [alert(1, one)])
    for path in (store.folder / "pictures").rglob("*.jpg"):
        path.unlink()
        if unreadable:
            path.mkdir()  # reading it fails, whoever asks
    sink = MemorySink("phone")
    run(worker(store, clock, sink), clock)
    assert sink.received[0][1] is None
    assert "told without" in caplog.text


def test_a_row_that_makes_no_sense_does_not_hold_up_the_others(store: Store, clock: FakeClock) -> None:
    told = put(store, 3)
    with store._engine.writing("test") as db:
        db.execute("UPDATE alerts SET wall = 'gibberish' WHERE id = ?", (told[2],))
    sink = MemorySink("phone")
    one = worker(store, clock, sink)
    for _ in range(10):
        clock.advance(one.tick() or 0.0)
    assert sorted(ids(sink)) == told[:2]
    (waiting,) = store.pending("phone")
    assert "a row makes no sense" in waiting.answer


class Faulty(MemorySink):
    """Raises what no sink should."""

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        if self.attempts == 0:
            self.attempts += 1
            raise RuntimeError("https://phone.example/secret-token")
        return super().send(alert, picture)


def test_a_sink_that_raises_counts_as_not_sent_and_its_words_stay_private(
    store: Store, clock: FakeClock, caplog: pytest.LogCaptureFixture
) -> None:
    put(store, 1)
    sink = Faulty("phone")
    run(worker(store, clock, sink), clock)
    assert len(sink.received) == 1
    assert "fault in the sink: RuntimeError" in caplog.text
    assert "secret-token" not in caplog.text


def test_a_store_that_fails_is_said_once_and_nothing_is_sent_twice(
    store: Store, clock: FakeClock, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(store, 1)
    sink = MemorySink("phone")
    one = worker(store, clock, sink)
    real = store.mark

    def full(delivery: Delivery, now_s: float, *, notice: Alert | None = None, to: str = "") -> None:
        raise StoreError("the disk is full", "free some space")

    monkeypatch.setattr(store, "mark", full)
    one.tick()
    assert [one.tick() for _ in range(5)] == [STORE_RETRY_S] * 5
    assert sink.attempts == 1
    assert caplog.text.count("the disk is full") == 1
    monkeypatch.setattr(store, "mark", real)
    assert one.tick() is None
    assert sink.attempts == 1
    assert store.counts() == {"phone": {"sent": 1}}


# --- with threads ---


class Gate(MemorySink):
    """Holds each send until it is opened."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.entered = threading.Event()
        self.opened = threading.Event()

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        self.entered.set()
        self.opened.wait(10)
        return super().send(alert, picture)


def deliver(store: Store, *sinks: MemorySink, clock: FakeClock | SystemClock | None = None) -> Dispatcher:
    made = Dispatcher(
        store, sinks, clock or SystemClock(), LOG, rules=RetryRules(first_s=0.02), jitter=lambda: 1.0
    )
    made.start()
    return made


def test_threads_deliver_what_is_stored_before_and_after_the_start(store: Store) -> None:
    put(store, 2)
    sink = MemorySink("phone", [DOWN, MAYBE])
    dispatcher = deliver(store, sink)
    put(store, 2, 5)
    dispatcher.wake()
    assert dispatcher.drain(10)
    assert dispatcher.alive()
    assert store.counts() == {"phone": {"sent": 4}}
    assert dispatcher.stop()
    assert not dispatcher.alive()
    assert sink.closed
    assert dispatcher.stop()


def test_a_dead_sink_does_not_hold_up_another(store: Store) -> None:
    held, free = Gate("post"), MemorySink("phone")
    store.add_alert(alert(1, None, ("phone", "post")))
    dispatcher = deliver(store, held, free)
    assert held.entered.wait(10)
    assert not dispatcher.drain(0.2)
    assert store.counts()["phone"] == {"sent": 1}
    assert not dispatcher.stop(0.1)
    assert store.counts()["post"] == {"waiting": 1}
    held.opened.set()
    assert dispatcher.stop(10)


def test_drain_does_not_wait_for_what_is_not_due_in_time(store: Store) -> None:
    put(store, 1)
    dispatcher = deliver(store, MemorySink("phone", [BUSY]))
    # BUSY asks for two minutes: drain must say "no" at once, well within its thirty seconds.
    clock = SystemClock()
    start_s = clock.now().mono_s
    assert not dispatcher.drain(30)
    assert clock.now().mono_s - start_s < 10
    dispatcher.stop()


def test_a_send_that_never_ends_is_seen_by_the_watchdog(store: Store, clock: FakeClock) -> None:
    put(store, 1)
    sink = Gate("phone")
    dispatcher = deliver(store, sink, clock=clock)
    assert sink.entered.wait(10)
    assert dispatcher.alive()
    clock.advance(601)
    assert not dispatcher.alive()
    sink.opened.set()
    assert dispatcher.drain(10)
    assert dispatcher.alive()
    dispatcher.stop()


def test_a_fault_of_delivery_itself_leaves_the_thread_alive(
    store: Store, clock: FakeClock, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(store, 1)
    real, calls = DeliveryWorker.tick, []

    def tick(self: DeliveryWorker) -> float | None:
        calls.append(1)
        if len(calls) == 1:
            raise ZeroDivisionError
        return real(self)

    monkeypatch.setattr(DeliveryWorker, "tick", tick)
    sink = MemorySink("phone")
    dispatcher = deliver(store, sink, clock=clock)  # the fake clock makes its half minute pass at once
    assert dispatcher.drain(10) or dispatcher.drain(10)
    assert dispatcher.alive()
    assert len(sink.received) == 1
    assert "fault in delivery" in caplog.text
    dispatcher.stop()


def test_alerts_for_a_sink_that_is_not_named_any_more_are_ended_aloud(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    store.add_alert(alert(1, None, ("old",)))
    dispatcher = deliver(store, MemorySink("phone"))
    assert "1 alerts for sink 'old' given up" in caplog.text
    dispatcher.stop()


def test_threads_give_another_sink_what_one_cannot_be_given(store: Store) -> None:
    put(store, 1)
    phone, post = MemorySink("phone", [SendResult(SendOutcome.NOT_SENT, "away")]), MemorySink("post")
    made = Dispatcher(
        store, [phone, post], SystemClock(), LOG, rules=RetryRules(first_s=0.02), jitter=lambda: 1.0
    )
    made.pass_on_by(lambda sink: Instead("post", 0.0) if sink == "phone" else None)
    made.start()
    assert made.drain(10.0)
    made.stop()
    assert len(phone.received) == 1
    ((told, _picture),) = post.received
    assert told.text.endswith("Told here because phone could not be reached.")
    assert store.counts() == {"phone": {"sent": 1}, "post": {"sent": 1}}
