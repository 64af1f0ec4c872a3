"""Alerts that wait for quiet hours to end: none goes out before, all go after, urgent ones at once."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dooryard.core.clock import FakeClock
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import HOLD_LOOK_S, DeliveryWorker
from dooryard.sinks.memory import MemorySink
from unit.outbox.builders import MONO_S, START, alert, decision, visit


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(START, MONO_S)


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Iterator[Store]:
    made = Store.open(tmp_path / "state", clock)
    yield made
    made.close()


class Night:
    """Quiet until it is told otherwise."""

    def __init__(self, store: Store, clock: FakeClock) -> None:
        self.quiet, self.sink = True, MemorySink("phone")
        self.asked: list[Any] = []
        self.worker = DeliveryWorker(
            store, self.sink, clock, logging.getLogger("dooryard.delivery"),
            rules=RetryRules(), jitter=lambda: 1.0, holds=self._holds,
        )  # fmt: skip

    def _holds(self, kind, made):
        self.asked.append((kind, made))
        return self.quiet

    def ticks(self):
        while (wait_s := self.worker.tick()) == 0.0:
            pass
        return wait_s

    @property
    def sent(self):
        return [each.id for each, _picture in self.sink.received]


def come(store, number, **changes):
    seen = visit(number)
    told = alert(number, seen, **changes)
    store.record_visit(seen, None, decision(seen), [told], clock_set=True)
    return told.id


def test_held_alerts_go_out_when_quiet_ends_and_not_before(store, clock):
    night = Night(store, clock)
    ids = [come(store, number) for number in range(2)]
    assert night.ticks() == HOLD_LOOK_S
    assert night.sent == []
    assert ("visit", store.alert(ids[0]).wall) in night.asked
    night.quiet = False
    assert night.ticks() is None
    assert night.sent == ids


def test_an_urgent_alert_does_not_wait_with_them(store, clock):
    night = Night(store, clock)
    held, urgent = come(store, 0), come(store, 1, urgent=True)
    assert night.ticks() == HOLD_LOOK_S
    assert night.sent == [urgent]
    night.quiet = False
    night.ticks()
    assert night.sent == [urgent, held]


def test_a_night_of_them_is_one_message_in_the_morning(store, clock):
    night = Night(store, clock)
    for number in range(5):
        come(store, number)
    night.ticks()
    clock.advance(8 * 3600.0)
    night.quiet = False
    night.ticks()
    ((morning, _sheet),) = night.sink.received
    assert morning.title == "5 alerts that could not be sent in time"
