"""Late alerts told together, a sink's pace, failures told through another sink, and a clock not set."""

from __future__ import annotations

import io
import logging
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.records import Alert
from dooryard.outbox import queue, token_bucket
from dooryard.outbox.digest import MOST_LINES, contact_sheet, digest_alert
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.schedule import Delivery, RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import CLOCK_PATIENCE_S, DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.memory import MemorySink
from unit.outbox.builders import MONO_S, START, StepDisk, alert, at, decision, visit

LOG = logging.getLogger("dooryard.delivery")
DOWN = SendResult(SendOutcome.NOT_SENT, "the name was not found")
GONE = SendResult(SendOutcome.REFUSED, "HTTP 410 Gone")
HOUR_S = 3600.0


def jpeg(colour: str = "green", size: tuple[int, int] = (820, 616)) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(START, MONO_S)


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Iterator[Store]:
    made = Store.open(tmp_path / "state", clock)
    yield made
    made.close()


def worker(store: Store, clock: FakeClock, sink: MemorySink, **options: Any) -> DeliveryWorker:
    fields: dict[str, Any] = {"rules": RetryRules(), "jitter": lambda: 1.0} | options
    return DeliveryWorker(store, sink, clock, LOG, **fields)


def come_by(store: Store, numbers: range, sinks: tuple[str, ...] = ("phone",), **changes: Any) -> list[str]:
    """Visits with an alert and a picture each; the ids of the alerts."""
    ids = []
    for number in numbers:
        one = visit(number)
        told = alert(number, one, sinks, title=f"visit {number}", **changes)
        store.record_visit(one, jpeg(), decision(one), [told])
        ids.append(told.id)
    return ids


def run(worker: DeliveryWorker, clock: FakeClock, until_s: float = 10**9) -> None:
    end_s = clock.now().mono_s + until_s
    while (wait_s := worker.tick()) is not None and clock.now().mono_s + wait_s <= end_s:
        clock.advance(wait_s)


def told(sink: MemorySink) -> list[Alert]:
    return [each for each, _ in sink.received]


# --- late alerts ---


def test_after_an_outage_late_alerts_come_as_one_with_a_contact_sheet(store: Store, clock: FakeClock) -> None:
    sink = MemorySink("phone", [DOWN])
    phone = worker(store, clock, sink)
    phone.tick()
    late = come_by(store, range(1, 15))
    phone.tick()
    clock.advance(2 * HOUR_S)
    fresh = come_by(store, range(20, 22))
    run(phone, clock)
    # The newest goes first, then what is fresh and the summary; no late one has a message of its own.
    assert told(sink)[0].id == fresh[-1]
    summaries = [(each, picture) for each, picture in sink.received if each.kind == "summary"]
    assert {each.id for each in told(sink)} == {*fresh, summaries[0][0].id}
    ((summary, sheet),) = summaries
    assert summary.title == "14 alerts that could not be sent in time"
    assert [line for line in summary.text.splitlines() if line.startswith("-")] == [
        f"- visit {number}" for number in range(1, 15)
    ]
    assert sheet is not None
    with Image.open(io.BytesIO(sheet)) as image:
        assert image.size == (4 * 326 + 6, 3 * 246 + 6)
    assert store.counts() == {"phone": {"sent": 3, "gathered": 14}}
    listed = store._engine.select(dict, "SELECT DISTINCT answer FROM deliveries WHERE state = 'gathered'")
    assert [row["answer"] for row in listed] == [f"told in {summary.id}"]
    assert len(late) == 14


def test_a_day_without_a_network_and_five_hundred_alerts(store: Store, clock: FakeClock) -> None:
    down = MemorySink("phone", iter(lambda: DOWN, None))
    phone = worker(store, clock, down)
    for hour in range(24):
        for number in range(hour * 21, hour * 21 + 21):
            store.add_alert(alert(number, title=f"n {number}", kind="visit"))
        run(phone, clock, until_s=HOUR_S)
    assert not down.received
    # At its longest wait of five minutes a dead receiver is knocked at twelve times an hour, not 500.
    assert down.attempts < 24 * 14 + 10
    assert len(phone._deliveries) == 500  # the rest stays on disk
    phone.sink = sink = MemorySink("phone")
    clock.advance(HOUR_S)
    run(phone, clock)
    counts = store.counts()["phone"]
    assert counts["sent"] + counts["gathered"] == 24 * 21 + len(
        [e for e in told(sink) if e.kind == "summary"]
    )
    assert len(told(sink)) <= 4
    lines = [line for each in told(sink) for line in each.text.splitlines()]
    assert any("earlier ones" in line for line in lines)
    assert all(len(each.text.splitlines()) <= MOST_LINES + 2 for each in told(sink))


def test_urgent_alerts_and_messages_of_the_box_are_not_gathered(store: Store, clock: FakeClock) -> None:
    sink = MemorySink("phone", [DOWN])
    phone = worker(store, clock, sink)
    come_by(store, range(3), urgent=True)
    for number in range(5, 9):
        store.add_alert(alert(number))
    phone.tick()
    clock.advance(3 * HOUR_S)
    run(phone, clock)
    assert store.counts() == {"phone": {"sent": 7}}


def test_a_few_late_ones_go_by_themselves(store: Store, clock: FakeClock) -> None:
    ids = come_by(store, range(2))
    clock.advance(5 * HOUR_S)
    sink = MemorySink("phone")
    run(worker(store, clock, sink), clock)
    assert sorted(each.id for each in told(sink)) == sorted(ids)


def test_time_without_power_counts_as_age(store: Store) -> None:
    come_by(store, range(4))
    later = FakeClock(START + timedelta(hours=9), 30.0)  # started again, nine hours on
    sink = MemorySink("phone")
    run(worker(store, later, sink), later)
    assert [each.kind for each in told(sink)] == ["summary"]


def test_with_the_clock_not_set_the_wall_clock_makes_nothing_late(store: Store) -> None:
    come_by(store, range(4))
    later = FakeClock(START + timedelta(hours=9), 30.0)
    sink = MemorySink("phone")
    run(worker(store, later, sink, clock_set=lambda: False), later)
    assert [each.kind for each in told(sink)] == ["visit"] * 4


def test_without_room_for_a_picture_the_words_still_go(tmp_path: Path, clock: FakeClock) -> None:
    disk = StepDisk()
    store = Store.open(tmp_path / "state", clock, disk=disk)
    come_by(store, range(4))
    disk.free = 1_000_000
    clock.advance(2 * HOUR_S)
    sink = MemorySink("phone")
    run(worker(store, clock, sink), clock)
    ((summary, picture),) = sink.received
    assert (summary.kind, picture) == ("summary", None)
    store.close()


def test_killed_at_every_step_of_gathering(tmp_path: Path, clock: FakeClock) -> None:
    """Either all are told apart or all together: none twice, none never."""
    from unit.outbox.builders import Killed

    number, done = 0, False
    while not done:
        disk = StepDisk()
        store = Store.open(tmp_path / str(number) / "state", clock, disk=disk)
        ids = come_by(store, range(3))
        late = [Delivery(each, "phone", seq, 0.0, 0.0) for seq, each in enumerate(ids)]
        disk.arm(number)
        try:
            store.digest(late, digest_alert([alert(1)] * 3, "phone", at(0), clock_set=True), jpeg())
            done = True
        except Killed:
            pass
        copy = disk.after_power_cut(tmp_path / str(number) / "state", tmp_path / str(number) / "cut")
        store.close()
        again = Store.open(copy, clock)
        assert len(again.pending("phone")) == (1 if done else 3)
        assert not any("damaged" in note or "missing" in note for note in again.notes)
        again.close()
        number += 1
    assert number > 8


def test_a_contact_sheet_of_what_can_be_read() -> None:
    assert contact_sheet([]) is None
    assert contact_sheet([b"no picture"]) is None
    sheet = contact_sheet([jpeg("red"), b"no picture", jpeg("blue", (300, 900))])
    assert sheet is not None
    with Image.open(io.BytesIO(sheet)) as image:
        assert image.size == (2 * 326 + 6, 246 + 6)
        red, blue = image.getpixel((166, 126)), image.getpixel((6 + 326 + 160, 126))
    assert isinstance(red, tuple)
    assert isinstance(blue, tuple)
    assert red[0] > 200 > red[2]
    assert blue[2] > 200 > blue[0]


# --- pace ---


def test_a_burst_goes_at_once_and_the_rest_at_the_sinks_pace(store: Store, clock: FakeClock) -> None:
    for number in range(12):
        store.add_alert(alert(number))
    sink = MemorySink("phone")
    phone = worker(store, clock, sink, rules=RetryRules(per_hour=60, burst=5))
    run(phone, clock, until_s=0)
    assert len(sink.received) == 5
    store.add_alert(alert(50, urgent=True))
    run(phone, clock, until_s=0)
    assert told(sink)[-1].urgent
    start_s = clock.now().mono_s
    run(phone, clock)
    assert len(sink.received) == 13
    assert clock.now().mono_s - start_s == pytest.approx(8 * 60)  # the urgent one counts too


@settings(deadline=None)
@given(st.lists(st.floats(0, 2000), max_size=60), st.floats(1, 1000), st.integers(1, 30))
def test_never_more_than_the_burst_and_what_the_rate_gives(
    pauses: list[float], per_hour: float, burst: int
) -> None:
    bucket, now_s, sent = token_bucket.TokenBucket(), 7_000_000.0, []
    for pause_s in pauses:
        now_s += pause_s
        if token_bucket.free_from_s(bucket, per_hour, burst) <= now_s:
            bucket = token_bucket.token_taken(bucket, now_s, per_hour)
            sent.append(now_s)
    for first in range(len(sent)):
        for last in range(first, len(sent)):
            allowed = burst + (sent[last] - sent[first]) * per_hour / 3600
            assert last - first + 1 <= allowed + 1e-6


# --- failures told elsewhere ---


def test_a_refusal_is_told_through_the_other_sinks_once_a_day(store: Store, clock: FakeClock) -> None:
    ids = come_by(store, range(3), ("phone",))
    phone = worker(store, clock, MemorySink("phone", [GONE] * 3), others=["post"])
    run(phone, clock)
    (waiting,) = store.pending("post")
    notice = store.alert(waiting.alert)
    assert notice is not None
    assert notice.kind == "box"
    assert notice.title == "phone does not take alerts"
    assert "HTTP 410 Gone" in notice.text
    assert "visit 2" in notice.text
    assert store.counts()["phone"] == {"refused": len(ids)}
    clock.advance(86400)
    come_by(store, range(5, 6))
    phone.sink = MemorySink("phone", [GONE])
    run(phone, clock)
    assert len(store.pending("post")) == 2


def test_giving_up_is_told_too(store: Store, clock: FakeClock) -> None:
    come_by(store, range(1))
    phone = worker(
        store, clock, MemorySink("phone", iter(lambda: DOWN, None)),
        rules=RetryRules(give_up_after_s=100), others=["post"],
    )  # fmt: skip
    run(phone, clock)
    assert store.counts()["phone"] == {"expired": 1}
    (waiting,) = store.pending("post")
    assert "could not be reached for days" in (store.alert(waiting.alert) or alert(1)).text


def test_two_sinks_that_refuse_each_others_notices_come_to_rest(store: Store, clock: FakeClock) -> None:
    come_by(store, range(1), ("phone", "post"))
    workers = [
        worker(store, clock, MemorySink(name, iter(lambda: GONE, None)), others=[other])
        for name, other in (("phone", "post"), ("post", "phone"))
    ]
    for _ in range(20):
        for each in workers:
            each.tick()
    assert store.counts() == {"phone": {"refused": 2}, "post": {"refused": 2}}


def test_the_notice_is_stored_with_the_refusal_or_not_at_all(tmp_path: Path, clock: FakeClock) -> None:
    disk = StepDisk()
    store = Store.open(tmp_path / "state", clock, disk=disk)
    come_by(store, range(1))
    phone = worker(store, clock, MemorySink("phone", [GONE]), others=["post"])
    disk.arm(3, lambda: OSError(5, "i/o error"))
    phone.tick()
    assert store.counts() == {"phone": {"waiting": 1}}
    disk.at = None
    phone.tick()
    assert store.counts() == {"phone": {"refused": 1}, "post": {"waiting": 1}}
    store.close()


# --- the clock ---


class Signed(MemorySink):
    """Signs the time, as a webhook with a secret does."""

    needs_clock = True


def test_a_sink_that_signs_the_time_waits_for_the_clock(store: Store, clock: FakeClock) -> None:
    set_: list[Any] = []
    sink = Signed("phone")
    phone = worker(store, clock, sink, clock_set=lambda: bool(set_))
    assert phone.tick() is None  # nothing waits
    come_by(store, range(1))
    run(phone, clock, until_s=600)
    assert sink.attempts == 0
    set_.append(True)
    run(phone, clock)
    assert len(sink.received) == 1


def test_a_clock_that_is_never_set_holds_it_up_for_a_while_only_and_no_refusal_is_for_good(
    store: Store, clock: FakeClock
) -> None:
    come_by(store, range(1))
    sink = Signed("phone", [GONE])
    phone = worker(store, clock, sink, clock_set=lambda: False, others=["post"])
    start_s = clock.now().mono_s
    while not sink.attempts:
        clock.advance(phone.tick() or 0.0)
    assert clock.now().mono_s - start_s >= CLOCK_PATIENCE_S
    (waiting,) = store.pending("phone")
    assert "clock not set" in waiting.answer
    run(phone, clock)
    assert store.counts() == {"phone": {"sent": 1}}


# --- changes from outside ---


def test_an_alert_dropped_while_it_is_sent_stays_dropped(store: Store, clock: FakeClock) -> None:
    (told_id,) = come_by(store, range(1))

    class Dropping(MemorySink):
        def send(self, told: Alert, picture: bytes | None) -> SendResult:
            with store._engine.writing("test") as db:
                db.execute("UPDATE deliveries SET state = 'dropped'")
            return DOWN

    phone = worker(store, clock, Dropping("phone"))
    phone.tick()
    assert phone.tick() is None
    assert store.counts() == {"phone": {"dropped": 1}}
    assert store.alert(told_id) is not None


def test_only_the_newest_of_a_kind_is_told(store: Store, clock: FakeClock) -> None:
    for number in range(3):
        store.add_alert(alert(number, None, ("web",), kind="journal"), replacing=True)
    store.add_alert(alert(9, None, ("web",)))
    assert store.counts() == {"web": {"waiting": 2, "gathered": 2}}
    assert [each.kind for each in store.pending("web")] == ["box", "journal"]


def test_what_another_program_began_again_is_tried_at_once(store: Store, clock: FakeClock) -> None:
    (told_id,) = come_by(store, range(1))
    sink = MemorySink("phone", [SendResult(SendOutcome.NOT_SENT, "HTTP 503", retry_after_s=3600)])
    phone = worker(store, clock, sink)
    phone.tick()
    assert phone.tick() == pytest.approx(3600)
    with store._engine.writing("test") as db:
        assert queue.start_over(db, [told_id], None) == 1
    clock.advance(5)  # the line itself rests after a failure, whoever asks
    assert phone.tick() == pytest.approx(3595)
    clock.advance(3595)
    assert phone.tick() == 0.0
    assert len(sink.received) == 1


@pytest.mark.parametrize("step_s", [-86_400.0, 365 * 86_400.0])
def test_a_clock_that_is_stepped_while_alerts_wait_loses_none_and_makes_none_late(
    store: Store, clock: FakeClock, step_s: float
) -> None:
    ids = come_by(store, range(4))
    sink = MemorySink("phone", [DOWN, DOWN])
    phone = worker(store, clock, sink)
    phone.tick()
    clock.step_wall(step_s)
    phone.tick()
    ids += come_by(store, range(5, 7))
    run(phone, clock, until_s=1800)
    assert sorted(each.id for each in told(sink)) == sorted(ids)


# --- with threads ---


def test_each_sink_has_its_own_rules_and_only_some_are_told_of_failures(store: Store) -> None:
    come_by(store, range(4), ("phone", "post", "web"))
    phone, post, web = MemorySink("phone", [GONE] * 4), MemorySink("post"), MemorySink("web")
    dispatcher = Dispatcher(
        store,
        [phone, post, web],
        SystemClock(),
        LOG,
        rules=RetryRules(late_after_s=1e9),
        rules_of={"post": RetryRules(late_after_s=1e9, burst=2, per_hour=1)},
        notices_to=["phone", "post"],
        clock_set=lambda: False,
    )
    dispatcher.start()
    assert not dispatcher.drain(10)  # two wait for the pace of "post"
    counts = store.counts()
    assert counts["phone"] == {"refused": 4}
    assert counts["web"] == {"sent": 4}
    assert counts["post"] == {"sent": 2, "waiting": 3}  # the third is the notice
    assert dispatcher.stop()
