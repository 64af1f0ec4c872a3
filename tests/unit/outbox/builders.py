"""Visits and alerts at Alder Row, and disks that fail on cue, for the outbox's and the sinks' tests."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from dooryard.core.atomic_files import FileCalls
from dooryard.core.ids import id_for
from dooryard.core.records import Alert, Box, Clause, Decision, Moment, Outcome, Visit, Visitor
from dooryard.outbox.store import VISIT_PICTURE

START = datetime(2026, 6, 14, 13, 0, tzinfo=UTC)
MONO_S = 7_000_000.0
JPEG = b"\xff\xd8" + bytes(range(256)) * 20 + b"\xff\xd9"


def at(t: float) -> Moment:
    return Moment(START + timedelta(seconds=t), MONO_S + t)


def visit(
    number: int, *, t: float | None = None, visitor: Visitor | None = None, ended: bool = False
) -> Visit:
    start = 60.0 * number if t is None else t
    return Visit(
        id=id_for(b"visits", number, at(start).wall),
        start=at(start),
        last_seen=at(start + 20.5),
        visitor=visitor or Visitor("bird", 0.84, "house finch", "Haemorhous mexicanus"),
        sightings=7,
        box=Box(0.25, 0.5, 0.375, 0.625),
        best=None,
        best_score=1.5,
        end=at(start + 30) if ended else None,
    )


def decision(of: Visit, outcome: Outcome = Outcome.TELL, sinks: tuple[str, ...] = ("phone",)) -> Decision:
    clauses = (
        Clause("sure", True, "84 % is at least 70 %"),
        Clause("cooldown", True, "none is running: “free”"),
    )
    return Decision(of.id, outcome, sinks, "any bird", clauses, "A bird, sure enough, and no cooldown.")


def alert(number: int, of: Visit | None = None, sinks: tuple[str, ...] = ("phone",), **changes: Any) -> Alert:
    wall = of.start.wall if of else at(60.0 * number).wall
    fields: dict[str, Any] = {
        "id": id_for(b"alerts", number, wall),
        "kind": "visit" if of else "box",
        "wall": wall,
        "clock_set": True,
        "title": "a house finch at Alder Row" if of else "the box at Alder Row has started",
        "text": "It came at 14:00 and ate.",
        "sinks": sinks,
        "visit": of.id if of else None,
        "visitor": of.visitor if of else None,
        "picture": VISIT_PICTURE if of else None,
    }
    return Alert(**(fields | changes))


class Killed(BaseException):
    """Stands for the process being killed: nothing in the program may catch it."""


class StepDisk(FileCalls):
    """A disk that counts its steps, and the database's, and raises `fault` at step `at`.

    With `late` the step is carried out before the fault is raised: "done, but nobody heard of it".
    `after_power_cut` tells what would be on the card if everything not flushed were lost.
    """

    def __init__(self) -> None:
        self.steps: list[str] = []
        self.at: int | None = None
        self.fault: Callable[[], BaseException] = Killed
        self.late = False
        self.free = 10**12
        self._unflushed: dict[int, Path] = {}  # descriptor -> file
        self._hollow: set[Path] = set()  # files whose bytes are not on the card
        self._unsettled: set[Path] = set()  # names that their folder's flush has not covered

    def arm(self, at: int, fault: Callable[[], BaseException] = Killed, *, late: bool = False) -> None:
        self.steps, self.at, self.fault, self.late = [], at, fault, late

    def step(self, name: str, action: Callable[[], Any]) -> Any:
        now = len(self.steps) == self.at
        self.steps.append(name)
        if now and not self.late:
            raise self.fault()
        result = action()
        if now:
            raise self.fault()
        return result

    def make_folder(self, path: Path) -> None:
        def make() -> None:
            super(StepDisk, self).make_folder(path)
            self._unsettled.add(path)

        self.step("make_folder", make)

    def create(self, path: Path) -> int:
        def make() -> int:
            descriptor = super(StepDisk, self).create(path)
            self._unflushed[descriptor] = path
            self._hollow.add(path)
            return descriptor

        return self.step("create", make)

    def write(self, descriptor: int, data: memoryview) -> int:
        # In pieces, as a disk may do it, so that a fault also falls between two of them.
        return self.step("write", lambda: super(StepDisk, self).write(descriptor, data[:4000]))

    def sync(self, descriptor: int) -> None:
        def flush() -> None:
            super(StepDisk, self).sync(descriptor)
            self._hollow.discard(self._unflushed[descriptor])

        self.step("sync", flush)

    def close(self, descriptor: int) -> None:
        self.step("close", lambda: super(StepDisk, self).close(descriptor))

    def rename(self, old: Path, new: Path) -> None:
        def move() -> None:
            super(StepDisk, self).rename(old, new)
            self._unsettled.add(new)
            if old in self._hollow:
                self._hollow = (self._hollow - {old}) | {new}

        self.step("rename", move)

    def link(self, old: Path, new: Path) -> None:
        def make() -> None:
            super(StepDisk, self).link(old, new)
            self._unsettled.add(new)

        self.step("link", make)

    def remove(self, path: Path) -> None:
        self.step("remove", lambda: super(StepDisk, self).remove(path))

    def sync_folder(self, path: Path) -> None:
        def flush() -> None:
            super(StepDisk, self).sync_folder(path)
            self._unsettled = {each for each in self._unsettled if each.parent != path}

        self.step("sync_folder", flush)

    def free_bytes(self, folder: Path) -> int:
        return self.free

    def connect(self, path: Path) -> sqlite3.Connection:
        disk = self

        class StepConnection(sqlite3.Connection):
            def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
                words = " ".join(sql.split()[:3])
                if words.startswith(("SELECT", "PRAGMA", "ROLLBACK")):
                    return super().execute(sql, *values)
                return disk.step(words, lambda: super(StepConnection, self).execute(sql, *values))

        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=StepConnection)

    def after_kill(self, folder: Path, copy: Path) -> Path:
        """A copy of `folder` as a killed process leaves it: all that was written is there."""
        shutil.copytree(folder, copy)
        return copy

    def after_power_cut(self, folder: Path, copy: Path) -> Path:
        """A copy as a power cut may leave it: names that were not flushed are gone, bytes not flushed too."""
        shutil.copytree(folder, copy)
        for path in sorted(self._hollow | self._unsettled):
            lost = copy / path.relative_to(folder)
            if path in self._unsettled and lost.is_dir():
                shutil.rmtree(lost)
            elif path in self._unsettled:
                lost.unlink(missing_ok=True)
            elif lost.exists():
                lost.write_bytes(b"")
        return copy
