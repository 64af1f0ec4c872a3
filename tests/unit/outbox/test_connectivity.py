"""Which sinks cannot be reached: told once, and again when that is over."""

from __future__ import annotations

import logging

import pytest

from dooryard.core.clock import FakeClock
from dooryard.outbox.connectivity import AWAY_AFTER_S, Connectivity, ConnectivityMonitor, take
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.memory import MemorySink
from unit.outbox.builders import alert

SINKS = frozenset({"phone", "post"})


def test_a_short_failure_is_no_news():
    connectivity, told = take(Connectivity(), {"phone": 0.0}, SINKS, AWAY_AFTER_S - 1.0)
    assert (dict(connectivity.away_since_s), told) == ({}, ())
    assert take(connectivity, {}, SINKS, AWAY_AFTER_S) == (Connectivity(), ())


def test_one_sink_is_away_and_back():
    connectivity, told = take(Connectivity(), {"phone": 0.0}, SINKS, AWAY_AFTER_S)
    assert told == ("phone cannot be reached: alerts wait and will be sent once it answers",)
    assert take(connectivity, {"phone": 0.0}, SINKS, 5000.0)[1] == ()
    connectivity, told = take(connectivity, {}, SINKS, 7200.0)
    assert told == ("phone can be reached again, after 2 h",)
    assert take(connectivity, {}, SINKS, 7300.0)[1] == ()


def test_where_none_can_be_reached_it_says_so():
    connectivity, _ = take(Connectivity(), {"phone": 0.0}, SINKS, AWAY_AFTER_S)
    connectivity, told = take(connectivity, {"phone": 0.0, "post": 60.0}, SINKS, AWAY_AFTER_S + 60.0)
    (text,) = told
    assert text.startswith("post cannot be reached: alerts wait and will be sent once it answers; ")
    assert text.endswith("no sink can be reached, so the network may be down")
    assert take(connectivity, {}, SINKS, 3600.0)[1] == ("phone and post can be reached again, after 1 h",)


def test_a_sink_that_the_box_no_longer_has_is_not_told_of():
    assert take(Connectivity(), {"old": 0.0}, SINKS, 9999.0)[1] == ()


class FailingDispatcher:
    def __init__(self, failing, now_s):
        self.failing, self.now_s = failing, now_s


def test_an_outage_goes_by_one_clock():
    """A simulated camera's day runs hundreds of times as fast as the receivers that alerts go to."""
    heard = []
    real, garden = FakeClock(mono_s=5.0), FakeClock(mono_s=900_000.0)
    failing = {"phone": real.now().mono_s}
    deliverer = FailingDispatcher(lambda: failing, lambda: real.now().mono_s)
    network = ConnectivityMonitor(deliverer, lambda _kind, text, _now, *, but: heard.append(text))
    real.advance(3.0)
    network.look(SINKS, garden.advance(9 * 3600.0))
    assert heard == []
    real.advance(AWAY_AFTER_S)
    network.look(SINKS, garden.advance(9 * 3600.0))
    failing = {}
    real.advance(57.0)
    network.look(SINKS, garden.advance(9 * 3600.0))
    assert len(heard) == 2
    assert heard[1] == "phone can be reached again, after 11 min"


def test_who_cannot_be_reached_is_not_told():
    heard = []
    dispatcher = FailingDispatcher(lambda: failing, lambda: clock.now().mono_s)
    network = ConnectivityMonitor(
        dispatcher, lambda kind, text, _now, *, but: heard.append((kind, text[:5], sorted(but)))
    )
    clock = FakeClock()
    failing = {"phone": clock.now().mono_s}
    network.look(SINKS, clock.advance(AWAY_AFTER_S))
    failing = {"phone": failing["phone"], "post": clock.now().mono_s}
    network.look(SINKS, clock.advance(AWAY_AFTER_S))
    failing = {"post": failing["post"]}
    network.look(SINKS, clock.advance(60.0))
    assert heard == [
        ("network", "phone", ["phone"]),
        ("network", "post ", ["phone", "post"]),
        ("network", "phone", ["post"]),
    ]


class Answering(MemorySink):
    def __init__(self, *outcomes: SendOutcome):
        super().__init__("phone")
        self.outcomes = list(outcomes)

    def send(self, alert, picture):
        return SendResult(self.outcomes.pop(0), "")


@pytest.mark.parametrize("last", [SendOutcome.SENT, SendOutcome.REFUSED])
def test_a_worker_knows_since_when_it_fails(tmp_path, last):
    """A refusal is an answer: who refuses can be reached."""
    clock = FakeClock()
    store = Store.open(tmp_path / "state", clock)
    store.add_alert(alert(1))
    sink = Answering(SendOutcome.NOT_SENT, SendOutcome.MAYBE_SENT, last)
    worker = DeliveryWorker(
        store, sink, clock, logging.getLogger("test"), rules=RetryRules(), jitter=lambda: 1.0
    )
    assert worker.failing_since_s is None
    began_s = clock.now().mono_s
    worker.tick()
    assert worker.failing_since_s == began_s
    for wait_s in (10.0, 20.0):
        assert worker.failing_since_s == began_s
        clock.advance(wait_s)
        worker.tick()
    assert worker.failing_since_s is None
    store.close()
