from __future__ import annotations

import errno
import hashlib
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.errors import StoreError
from dooryard.core.records import Outcome, Visitor
from dooryard.outbox import schema
from dooryard.outbox.schedule import Delivery, DeliveryState
from dooryard.outbox.store import VISIT_PICTURE, Store
from unit.outbox.builders import JPEG, MONO_S, START, StepDisk, alert, at, decision, visit


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(START, MONO_S)


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Iterator[Store]:
    made = Store.open(tmp_path / "state", clock)
    yield made
    made.close()


def pictures(store: Store) -> list[str]:
    root = store.folder / "pictures"
    return sorted(str(path.relative_to(root)) for path in root.rglob("*") if path.is_file())


def test_a_visit_comes_back_as_it_went_in(store: Store, tmp_path: Path, clock: FakeClock) -> None:
    one = visit(1)
    assert store.record_visit(one, JPEG, decision(one), [alert(1, one, ("phone", "post"))])
    store.close()
    again = Store.open(tmp_path / "state", clock)
    assert again.notes == []
    stored = again.visit(one.id)
    assert stored is not None
    assert (stored.start, stored.last_seen, stored.end) == (one.start.wall, one.last_seen.wall, None)
    assert (stored.visitor, stored.sightings, stored.box) == (one.visitor, 7, one.box)
    assert (stored.stay_s, stored.clock_set, stored.outcome) == (20.5, True, Outcome.TELL)
    assert stored.picture == f"2026/06/14/{one.id}.jpg"
    assert again.read_picture(stored.picture) == JPEG
    assert again.decision_of(one.id) == decision(one)
    told = alert(1, one, ("phone", "post"))
    assert again.alert(told.id) == replace(told, picture=stored.picture)
    assert [w.alert for sink in ("phone", "post") for w in again.pending(sink)] == [told.id] * 2
    again.close()


def test_a_visit_without_picture_or_alert(store: Store) -> None:
    one = visit(1)
    store.record_visit(one, None, decision(one, Outcome.SILENT, ()), [], clock_set=False)
    stored = store.visit(one.id)
    assert stored is not None
    assert stored.picture is None
    assert not stored.clock_set
    assert store.counts() == {}
    assert store.visit("unknown") is None
    assert store.decision_of("unknown") is None
    assert store.read_picture("2026/06/14/unknown.jpg") is None


def test_the_same_visit_twice_is_stored_once(store: Store) -> None:
    one = visit(1)
    assert store.record_visit(one, JPEG, decision(one), [alert(1, one)])
    assert not store.record_visit(one, b"other", decision(one), [alert(2, one)])
    assert store.counts() == {"phone": {"waiting": 1}}
    assert len(pictures(store)) == 1


def test_a_better_picture_at_the_end_leaves_the_alert_the_one_it_was_told_with(store: Store) -> None:
    one = visit(1)
    told = alert(1, one)
    store.record_visit(one, JPEG, decision(one), [told])
    for better in (b"better", b"best"):
        assert store.update_visit(visit(1, ended=True, visitor=Visitor("bird", 0.97)), better)
    stored, kept = store.visit(one.id), store.alert(told.id)
    assert stored is not None
    assert stored.picture
    assert kept
    assert kept.picture
    assert store.read_picture(stored.picture) == b"best"
    assert store.read_picture(kept.picture) == JPEG
    assert stored.end == at(90).wall
    assert stored.visitor == Visitor("bird", 0.97)
    assert kept.visitor == one.visitor
    # The one in between, which nothing refers to, is gone.
    assert pictures(store) == [f"2026/06/14/{one.id}-3.jpg", f"2026/06/14/{one.id}.jpg"]


def test_an_end_without_a_better_picture_keeps_the_old_one(store: Store) -> None:
    one = visit(1)
    store.record_visit(one, JPEG, decision(one, Outcome.HOLD), [])
    late = decision(one, Outcome.TELL)
    store.update_visit(visit(1, ended=True), None, decision=late, alerts=[alert(1, one)])
    stored, told = store.visit(one.id), store.alert(alert(1, one).id)
    assert stored is not None
    assert told is not None
    assert stored.picture == told.picture == f"2026/06/14/{one.id}.jpg"
    assert stored.outcome is Outcome.TELL
    assert store.decision_of(one.id) == late


def test_the_end_of_a_visit_that_was_never_stored_changes_nothing(store: Store) -> None:
    assert not store.update_visit(visit(1, ended=True), JPEG)
    assert pictures(store) == []


def test_lists_by_time_and_by_the_order_of_storing(store: Store) -> None:
    for number, outcome in enumerate([Outcome.TELL, Outcome.HOLD, Outcome.SILENT, Outcome.HOLD]):
        one = visit(number)
        store.record_visit(one, None, decision(one, outcome), [])
    ids = [visit(number).id for number in range(4)]
    between = store.visits_between(START + timedelta(seconds=60), START + timedelta(seconds=180))
    assert [stored.id for stored in between] == ids[1:3]
    assert [stored.id for stored in store.visits_stored_between(1, 3)] == ids[1:3]
    assert store.newest_visit() == 4


def test_alerts_of_the_box_and_states(store: Store) -> None:
    summary = alert(9, None, ("post",), kind="summary", urgent=True, clock_set=False)
    store.add_alert(summary)
    assert store.alert(summary.id) == summary
    assert store.load_state("policy") is None
    store.save_state("policy", b"\x00one")
    store.save_state("policy", b"two")
    assert store.load_state("policy") == b"two"


def test_only_an_alert_that_wants_the_picture_gets_it(store: Store) -> None:
    one, bare = visit(1), visit(2)
    store.record_visit(one, JPEG, decision(one), [alert(1, one), alert(2, one, picture=None)])
    store.record_visit(bare, None, decision(bare), [alert(3, bare)])
    store.update_visit(visit(1, ended=True), b"better", alerts=[alert(4, one, picture=None)])
    path = f"2026/06/14/{one.id}.jpg"
    kept = [store.alert(each.id) for each in (alert(1, one), alert(2, one), alert(3, bare), alert(4, one))]
    assert [each.picture if each else "gone" for each in kept] == [path, None, None, None]


def test_an_alert_that_comes_later_gets_the_picture_of_its_visit(store: Store) -> None:
    one = visit(1)
    store.record_visit(one, JPEG, decision(one), [])
    late = alert(1, one, picture=VISIT_PICTURE)
    store.add_alert(late)
    told = store.alert(late.id)
    assert told is not None
    assert told.picture == f"2026/06/14/{one.id}.jpg"


def test_states_are_saved_together_and_only_when_they_changed(tmp_path: Path, clock: FakeClock) -> None:
    disk = StepDisk()
    store = Store.open(tmp_path / "state", clock, disk=disk)
    store.save_states({"policy": b"one", "gate": b"two"})
    disk.steps = []
    store.save_states({"policy": b"one", "gate": b"two"})
    assert disk.steps == []
    store.save_states({"policy": b"one", "gate": b"three"})
    assert disk.steps == ["BEGIN IMMEDIATE", "INSERT INTO states", "COMMIT"]
    disk.arm(1, lambda: OSError(errno.EIO, "i/o error"))
    with pytest.raises(StoreError, match="policy, gate"):
        store.save_states({"policy": b"four", "gate": b"five"})
    disk.at = None
    assert (store.load_state("policy"), store.load_state("gate")) == (b"one", b"three")
    store.save_states({"policy": b"four", "gate": b"five"})  # what failed does not count as saved
    assert (store.load_state("policy"), store.load_state("gate")) == (b"four", b"five")
    store.close()


def test_an_alert_for_a_visit_that_is_not_stored_is_an_error(store: Store) -> None:
    with pytest.raises(StoreError, match="FOREIGN KEY"):
        store.add_alert(alert(1, visit(1)))
    assert store.counts() == {}


def test_deliveries_are_marked_with_durations(store: Store) -> None:
    told = alert(1, None, ("phone", "post"))
    store.add_alert(told)
    delivery = Delivery(
        told.id, "phone", 1, since_s=MONO_S, due_s=MONO_S + 90, attempts=3, maybe=1, answer="HTTP 503"
    )
    store.mark(delivery, MONO_S + 60)
    (waiting,) = store.pending("phone")
    assert (waiting.attempts, waiting.maybe, waiting.wait_s, waiting.age_s) == (3, 1, 30.0, 60.0)
    assert waiting.answer == "HTTP 503"
    store.mark(replace(delivery, state=DeliveryState.SENT), MONO_S + 61)
    assert store.pending("phone") == []
    assert store.counts() == {"phone": {"sent": 1}, "post": {"waiting": 1}}


def test_pending_gives_the_newest_within_its_limit(store: Store) -> None:
    for number in range(5):
        store.add_alert(alert(number))
    assert [each.alert for each in store.pending("phone", limit=2)] == [alert(4).id, alert(3).id]


def test_what_waits_for_a_sink_that_is_gone_is_ended(store: Store) -> None:
    store.add_alert(alert(1, None, ("phone", "old")))
    assert store.end_deliveries_to_others(["phone"]) == {"old": 1}
    assert store.counts() == {"phone": {"waiting": 1}, "old": {"expired": 1}}
    assert store.end_deliveries_to_others(["phone"]) == {}


def test_a_sink_named_twice_gets_one_delivery(store: Store) -> None:
    store.add_alert(alert(1, None, ("phone", "phone")))
    assert store.counts() == {"phone": {"waiting": 1}}


def test_the_picture_row_describes_the_file(store: Store) -> None:
    one = visit(1)
    store.record_visit(one, JPEG, decision(one), [])
    (row,) = store._engine.select(dict, "SELECT * FROM pictures")
    assert (row["bytes"], row["sha256"]) == (len(JPEG), hashlib.sha256(JPEG).hexdigest())


def test_threads_take_turns(store: Store) -> None:
    def work(part: int) -> None:
        for number in range(part, part + 10):
            one = visit(number)
            store.record_visit(one, JPEG, decision(one), [alert(number, one)])
            store.pending("phone")

    threads = [threading.Thread(target=work, args=(part,)) for part in (0, 10, 20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert store.counts() == {"phone": {"waiting": 30}}
    assert len(pictures(store)) == 30


def test_with_the_disk_nearly_full_a_picture_is_refused_but_not_the_visit(
    tmp_path: Path, clock: FakeClock
) -> None:
    disk = StepDisk()
    store = Store.open(tmp_path / "state", clock, disk=disk)
    disk.free = 1_000_000
    one = visit(1)
    with pytest.raises(StoreError, match="nearly full") as caught:
        store.record_visit(one, JPEG, decision(one), [alert(1, one)])
    assert "free some space" in caught.value.remedy
    assert store.visit(one.id) is None
    assert store.free_bytes() == 1_000_000
    assert store.record_visit(one, None, decision(one), [alert(1, one)])
    store.close()


def test_how_the_database_is_kept(store: Store) -> None:
    pragmas = {
        name: store._engine.select(tuple, f"PRAGMA {name}")[0][0]
        for name in (
            "journal_mode",
            "synchronous",
            "foreign_keys",
            "auto_vacuum",
            "user_version",
            "page_size",
        )
    }
    # SQLite's own documentation: synchronous 2 is FULL, auto_vacuum 2 is INCREMENTAL.
    assert pragmas == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "auto_vacuum": 2,
        "user_version": len(schema.STEPS),
        "page_size": 512,
    }


@pytest.mark.parametrize("restarted", [False, True])
def test_times_are_mended_for_this_boot_only(tmp_path: Path, clock: FakeClock, restarted: bool) -> None:
    folder = tmp_path / "state"
    before = Store.open(folder, clock, boot="first")
    before.record_visit(visit(1), None, decision(visit(1)), [], clock_set=False)
    before.close()
    store = Store.open(folder, clock, boot="second")
    store.record_visit(visit(2, ended=True), None, decision(visit(2)), [], clock_set=False)
    store.record_visit(visit(3), None, decision(visit(3)), [], clock_set=True)
    if restarted:  # within the boot, by a crash
        store.close()
        store = Store.open(folder, clock, boot="second")
    assert store.mend_times(86_400.25) == 1
    assert store.mend_times(86_400.25) == 0
    stored = [store.visit(visit(number).id) for number in (1, 2, 3)]
    assert [each.clock_set for each in stored if each] == [False, True, True]
    later = timedelta(seconds=86_400.25)
    was = visit(2, ended=True)
    assert was.end is not None
    assert stored[1] is not None
    assert (stored[1].start, stored[1].last_seen, stored[1].end) == (
        was.start.wall + later,
        was.last_seen.wall + later,
        was.end.wall + later,
    )
    assert stored[0] is not None
    assert stored[0].start == visit(1).start.wall
    assert stored[2] is not None
    assert stored[2].start == visit(3).start.wall
    store.close()


def test_a_full_disk_does_not_keep_the_store_from_opening(
    tmp_path: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Store, name: str, data: bytes) -> None:
        raise StoreError("the disk is full", "free some space")

    monkeypatch.setattr(Store, "save_state", full)
    store = Store.open(tmp_path / "state", clock, boot="first")
    assert store.notes == ["after a restart, times of this boot could not be repaired: the disk is full"]
    store.record_visit(visit(1), None, decision(visit(1)), [], clock_set=False)
    assert store.mend_times(60) == 1
    store.close()
