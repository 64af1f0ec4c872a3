"""Killed, or cut off from power, at every step of a write: the visit is there whole, or not at all."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.errors import StoreError
from dooryard.core.records import Visitor
from dooryard.outbox.schedule import Delivery, DeliveryState
from dooryard.outbox.store import Store
from unit.outbox.builders import JPEG, MONO_S, START, Killed, StepDisk, alert, decision, visit

CLOCK = FakeClock(START, MONO_S)
FIRST, SECOND = visit(1), visit(2, t=86400.0)
SINKS = ("phone", "post")
BETTER = b"\xff\xd8better" * 900
Write = Callable[[Store], object]


def record_second(store: Store) -> object:
    return store.record_visit(
        SECOND, JPEG, decision(SECOND), [alert(2, SECOND, SINKS), alert(3, SECOND, SINKS)]
    )


def end_first(store: Store) -> object:
    return store.update_visit(visit(1, ended=True, visitor=Visitor("bird", 0.99)), BETTER)


def tidy(store: Store) -> object:
    return store.upkeep(0.5, 10**12, SECOND.start.wall)


WRITES: dict[str, Write] = {"record": record_second, "end": end_first}


def prepared(folder: Path) -> tuple[Store, StepDisk]:
    """A store with one visit whose alert waits."""
    disk = StepDisk()
    store = Store.open(folder, CLOCK, disk=disk)
    store.record_visit(FIRST, JPEG, decision(FIRST), [alert(1, FIRST, SINKS)])
    return store, disk


def steps_of(write: Write, folder: Path) -> list[str]:
    store, disk = prepared(folder)
    disk.steps = []
    write(store)
    store.close()
    return disk.steps


def check(folder: Path, *, whole: bool | None) -> None:
    """Reopen and look: nothing half, nothing left over, nothing lost.

    `whole`: whether SECOND must be there; None: either will do.
    """
    store = Store.open(folder, CLOCK)
    assert not any("damaged" in note or "missing" in note or "length" in note for note in store.notes)
    assert not list(folder.rglob("*.tmp"))
    first, second = store.visit(FIRST.id), store.visit(SECOND.id)
    assert first is not None
    assert first.picture is not None
    assert store.read_picture(first.picture) == (JPEG if first.end is None else BETTER)
    assert first.visitor == (FIRST.visitor if first.end is None else Visitor("bird", 0.99))
    told = store.alert(alert(1, FIRST).id)
    assert told is not None
    assert told.picture is not None
    assert store.read_picture(told.picture) == JPEG
    if whole is not None:
        assert (second is not None) == whole
    waiting = {sink: sorted(each.alert for each in store.pending(sink)) for sink in SINKS}
    expected = [alert(1, FIRST).id]
    if second is not None:
        assert second.picture is not None
        assert store.read_picture(second.picture) == JPEG
        assert store.decision_of(SECOND.id) == decision(SECOND)
        expected += [alert(2, SECOND).id, alert(3, SECOND).id]
    assert waiting == dict.fromkeys(SINKS, sorted(expected))
    on_disk = {str(path.relative_to(folder / "pictures")) for path in (folder / "pictures").rglob("*.jpg")}
    referred = {told.picture, first.picture} | ({second.picture} if second else set())
    assert on_disk == referred
    # And it goes on: the same write succeeds now.
    record_second(store)
    end_first(store)
    assert store.visit(SECOND.id) is not None
    store.close()


def test_the_steps_of_a_write_cover_picture_and_rows(tmp_path: Path) -> None:
    steps = steps_of(record_second, tmp_path)
    assert steps[:2] == ["make_folder", "sync_folder"]
    assert steps[steps.index("create") :][:7] == [
        "create",
        "write",
        "write",
        "sync",
        "close",
        "rename",
        "sync_folder",
    ]
    assert steps.index("BEGIN IMMEDIATE") > steps.index("rename")
    assert steps[-1] == "COMMIT"
    inserts = [step for step in steps if step.startswith("INSERT")]
    assert len(inserts) == 3 + 2 + 4  # picture, visit, decision; two alerts; a delivery for each and sink


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("name", WRITES)
def test_killed_at_every_step(tmp_path: Path, name: str, late: bool) -> None:
    steps = steps_of(WRITES[name], tmp_path / "count")
    for number, step in enumerate(steps):
        folder = tmp_path / f"{number}"
        store, disk = prepared(folder / "state")
        disk.arm(number, late=late)
        with pytest.raises(Killed):
            WRITES[name](store)
        # Copied before the store closes: a killed process tidies nothing up.
        killed = disk.after_kill(folder / "state", folder / "kill")
        cut = disk.after_power_cut(folder / "state", folder / "cut")
        store.close()
        committed = step == "COMMIT" and late
        for copy in (killed, cut):
            check(copy, whole=committed if name == "record" else False)


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EROFS])
@pytest.mark.parametrize("name", WRITES)
def test_an_error_at_every_file_step_is_told_and_leaves_nothing_half(
    tmp_path: Path, name: str, code: int
) -> None:
    words = {errno.ENOSPC: "the disk is full", errno.EIO: "input/output error", errno.EROFS: "read-only"}
    store, disk = prepared(tmp_path / "state")
    count = steps_of(WRITES[name], tmp_path / "count").index("BEGIN IMMEDIATE")
    assert count >= 7
    tried = 0
    for number in range(count):
        # A folder that was made before the fault is not made again, so later runs have fewer steps.
        disk.arm(number, lambda: OSError(code, os.strerror(code)))
        try:
            WRITES[name](store)
        except StoreError as error:
            assert words[code] in error.what  # noqa: PT017  (the last steps may not come up)
            assert error.remedy  # noqa: PT017
            tried += 1
            assert not list((tmp_path / "state").rglob("*.tmp"))
            continue
        break
    assert tried >= 7
    disk.at = None
    store.close()
    check(tmp_path / "state", whole=None)


def disk_full() -> BaseException:
    error = sqlite3.OperationalError("database or disk is full")
    error.sqlite_errorcode = sqlite3.SQLITE_FULL
    return error


@pytest.mark.parametrize("name", WRITES)
def test_an_error_at_every_database_step_takes_the_picture_back(tmp_path: Path, name: str) -> None:
    store, disk = prepared(tmp_path / "state")
    files = sorted((tmp_path / "state").rglob("*.jpg"))
    steps = steps_of(WRITES[name], tmp_path / "count")
    for back in range(len(steps) - steps.index("BEGIN IMMEDIATE")):
        # The day's folder is made in the first round only: count from the end.
        disk.arm(len(steps) - 1 - back, disk_full)
        if back:
            disk.at = len(steps) - 1 - back - folder_steps(steps)
        with pytest.raises(StoreError, match="the disk is full"):
            WRITES[name](store)
        assert disk.steps[-1] in {steps[-1 - back], "remove"}
        assert sorted((tmp_path / "state").rglob("*.jpg")) == files
    store.close()
    check(tmp_path / "state", whole=False)


def folder_steps(steps: list[str]) -> int:
    return 2 * steps.count("make_folder")


def test_killed_at_every_step_of_upkeep(tmp_path: Path) -> None:
    def filled(folder: Path) -> tuple[Store, StepDisk]:
        store, disk = prepared(folder)
        for sink in SINKS:
            store.mark(Delivery(alert(1, FIRST).id, sink, 1, MONO_S, MONO_S, DeliveryState.SENT), MONO_S)
        record_second(store)
        disk.steps = []
        return store, disk

    store, disk = filled(tmp_path / "count")
    assert tidy(store)
    store.close()
    for number in range(len(disk.steps)):
        for late in (False, True):
            folder = tmp_path / f"{number}{late}"
            store, step_disk = filled(folder / "state")
            step_disk.arm(number, late=late)
            with pytest.raises(Killed):
                tidy(store)
            copy = step_disk.after_kill(folder / "state", folder / "kill")
            store.close()
            again = Store.open(copy, CLOCK)
            kept = [stored for stored in (again.visit(FIRST.id), again.visit(SECOND.id)) if stored]
            assert kept[-1].id == SECOND.id
            assert len(list((copy / "pictures").rglob("*.jpg"))) == len(kept)
            assert all(stored.picture and again.read_picture(stored.picture) == JPEG for stored in kept)
            assert len(again.pending("phone")) == 2
            again.close()


def waiting(folder: Path) -> tuple[Store, StepDisk]:
    store, disk = prepared(folder)
    disk.steps = []
    return store, disk


TRIED = Delivery(alert(1, FIRST).id, "phone", 1, MONO_S, MONO_S, attempts=1, tried_s=MONO_S - 900)
HANDS_ON: dict[str, tuple[Write, DeliveryState]] = {
    "passed on": (lambda store: store.pass_on([TRIED.alert], "phone", "hut"), DeliveryState.WAITING),
    "refused, so at once": (
        lambda store: store.mark(replace(TRIED, state=DeliveryState.REFUSED), MONO_S, to="hut"),
        DeliveryState.REFUSED,
    ),
}


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("name", HANDS_ON)
def test_killed_at_every_step_while_another_sink_is_given_it(tmp_path: Path, name: str, late: bool) -> None:
    write, state = HANDS_ON[name]
    store, disk = waiting(tmp_path / "count")
    write(store)
    store.close()
    assert "INSERT OR IGNORE" in " ".join(disk.steps)
    for number, step in enumerate(disk.steps):
        folder = tmp_path / f"{number}"
        store, step_disk = waiting(folder / "state")
        step_disk.arm(number, late=late)
        with pytest.raises(Killed):
            write(store)
        copies = (
            step_disk.after_kill(folder / "state", folder / "kill"),
            step_disk.after_power_cut(folder / "state", folder / "cut"),
        )
        store.close()
        for copy in copies:
            again = Store.open(copy, CLOCK)
            done = step == "COMMIT" and late
            given = [(each.alert, each.instead_of) for each in again.pending("hut")]
            assert given == ([(TRIED.alert, "phone")] if done else [])
            assert len(again.pending("phone")) == (0 if done and state is DeliveryState.REFUSED else 1)
            write(again)  # the next turn: neither lost nor doubled
            write(again)
            assert [each.alert for each in again.pending("hut")] == [TRIED.alert]
            again.close()
