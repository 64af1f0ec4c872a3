"""A receiver, a disk and a power supply that do as they please: nothing is lost, nothing out of order."""

from __future__ import annotations

import errno
import logging
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import FakeClock
from dooryard.core.errors import StoreError
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.memory import MemorySink
from unit.outbox.builders import JPEG, MONO_S, START, StepDisk, alert, decision, visit

LOG = logging.getLogger("dooryard.random")
LOG.setLevel(logging.CRITICAL + 1)
RULES = RetryRules(first_s=5, cap_s=60, longest_retry_after_s=600, give_up_after_s=10**9)


class QuickDisk(FileCalls):
    """Keeps the order of things but does not wait for the card: these tests open many stores."""

    def sync(self, descriptor: int) -> None:
        pass

    def sync_folder(self, path: Path) -> None:
        pass


class Box:
    """A store, a worker and a receiver, and what was done to them."""

    def __init__(self, folder: Path) -> None:
        self.sink = MemorySink("phone")
        self.stored: list[str] = []
        self.refused = 0
        self.disturbed = False
        self._folder = folder
        self._disk = StepDisk()
        self._start(MONO_S)

    def _start(self, mono_s: float) -> None:
        self.clock = FakeClock(START, mono_s)
        self.store = Store.open(self._folder, self.clock, disk=self._disk)
        self.worker = DeliveryWorker(self.store, self.sink, self.clock, LOG, rules=RULES, jitter=lambda: 0.5)

    def visit(self, *, full: bool) -> None:
        """Somebody comes by; with `full` the disk has no room for the picture."""
        one = visit(len(self.stored))
        told = alert(len(self.stored), one)
        if full:
            self._disk.arm(3, lambda: OSError(errno.ENOSPC, "No space left on device"))
        try:
            self.store.record_visit(one, JPEG, decision(one), [told])
        except StoreError:
            assert full
        else:
            assert not full
            self.stored.append(told.id)
        self._disk.at = None

    def turn(self, outcome: SendOutcome) -> None:
        """One step of delivery, with the receiver in that mood."""
        self.disturbed |= outcome is not SendOutcome.SENT
        self.sink._answers = iter([SendResult(outcome, outcome.value)])
        before = self.sink.attempts
        self.worker.tick()
        self.refused += outcome is SendOutcome.REFUSED and self.sink.attempts > before

    def restart(self) -> None:
        """The power goes and comes back: the monotonic clock starts again."""
        self.disturbed = True
        self.store.close()
        self._start(50.0)

    def finish(self) -> None:
        """From now on the receiver is well."""
        self.sink._answers = iter(())
        for _ in range(1000):
            wait_s = self.worker.tick()
            if wait_s is None:
                return
            assert wait_s <= RULES.longest_retry_after_s
            self.clock.advance(wait_s)
        raise AssertionError("still waiting")


acts = st.lists(
    st.one_of(
        st.just(lambda box: box.visit(full=False)),
        st.just(lambda box: box.visit(full=True)),
        st.sampled_from(SendOutcome).map(lambda outcome: lambda box: box.turn(outcome)),
        st.floats(0, 100).map(lambda s: lambda box: box.clock.advance(s)),
        st.just(Box.restart),
    ),
    max_size=40,
)


@settings(max_examples=40, deadline=None)
@given(acts)
def test_every_stored_alert_is_told_or_ends_with_its_answer(script: list[Callable[[Box], object]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        box = Box(Path(folder))
        for act in script:
            act(box)
        box.finish()
        told = [each.id for each, _ in box.sink.received]
        counts = box.store.counts().get("phone", {})
        box.store.close()
        assert counts.get("waiting", 0) == 0
        assert sum(counts.values()) == len(box.stored)
        assert counts.get("refused", 0) == box.refused
        assert set(told) <= set(box.stored)
        assert len(set(told)) >= len(box.stored) - box.refused
        assert all(picture == JPEG for _, picture in box.sink.received)
        if not box.disturbed:
            assert told == box.stored


@settings(max_examples=25, deadline=None)
@given(st.binary(min_size=1, max_size=400), st.integers(0, 100), st.booleans())
@example(b"0", 41, False)  # the name of a column
def test_whatever_happens_to_the_database_file_the_store_opens(data: bytes, place: int, cut: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        clock = FakeClock(START, MONO_S)
        store = Store.open(folder, clock, disk=QuickDisk())
        for number in range(8):
            one = visit(number)
            store.record_visit(one, JPEG, decision(one), [alert(number, one)])
        store.close()
        database = folder / "dooryard.sqlite3"
        whole = bytearray(database.read_bytes())
        at = len(whole) * place // 101
        whole[at : at + len(data)] = data
        database.write_bytes(whole[: at + len(data)] if cut else whole)
        try:
            again = Store.open(folder, clock, disk=QuickDisk())
        except StoreError as error:
            # The bytes may by chance read as a later version or a locked file; then nothing was touched.
            assert error.remedy  # noqa: PT017
            return
        try:
            visits = again.visits_between(START, visit(100).start.wall)
            pictures = [again.read_picture(each.picture) for each in visits if each.picture]
            assert all(picture in {JPEG, None} for picture in pictures)
        except StoreError as error:
            assert "a row makes no sense" in error.what or "decode" in error.what  # noqa: PT017
        assert again.record_visit(visit(50), JPEG, decision(visit(50)), [])
        again.close()


def test_another_program_that_locks_the_database_is_named(tmp_path: Path) -> None:
    class Impatient(QuickDisk):
        def connect(self, path: Path) -> sqlite3.Connection:
            return sqlite3.connect(path, timeout=0.05, isolation_level=None, check_same_thread=False)

    store = Store.open(tmp_path, FakeClock(START, MONO_S), disk=Impatient())
    other = sqlite3.connect(tmp_path / "dooryard.sqlite3", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    one = visit(1)
    try:
        store.record_visit(one, JPEG, decision(one), [])
    except StoreError as error:
        assert "another program keeps the database locked" in error.what  # noqa: PT017
    else:
        raise AssertionError("it was not locked")
    assert not list(tmp_path.rglob("*.jpg"))
    other.execute("ROLLBACK")
    other.close()
    assert store.record_visit(one, JPEG, decision(one), [])
    store.close()
