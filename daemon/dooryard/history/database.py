"""What the journal keeps for itself, beside the store: marks, a mute, times off, warmth, what was held.

One SQLite file, ``journal.sqlite3`` in the state folder, with the store's own promises (WAL, FULL): a
mark that was acknowledged survives a power cut. Any process may open it; writers take turns.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from dooryard.core.atomic_files import FileCalls
from dooryard.core.errors import StoreError
from dooryard.core.records import Visitor
from dooryard.history import database_file
from dooryard.history.database_steps import STEPS
from dooryard.history.entries import Kind, Mark, Said, said
from dooryard.outbox.rescue import Watched, rewritten
from dooryard.outbox.rows import wall_text

FILE = "journal.sqlite3"


@dataclass(frozen=True, slots=True)
class OffTime:
    """A stretch in which the box did not watch. Times are aware and in UTC."""

    start: datetime
    end: datetime  # of one that is not over: as far as was asked for
    reason: str  # "heat", "button", "power", ...
    running: bool = False  # it is not over


@dataclass(frozen=True, slots=True)
class Warmth:
    """A sensor's lowest and highest temperature of a stretch."""

    sensor: str
    least_c: float
    most_c: float


class AnnotationDatabase:
    """The open annotation database. Close it; methods raise `StoreError` with a remedy.

    `mend`: one that is damaged is set aside, and a fresh one begun with the marks that can still be read; see
    `damages`. For the service alone, since other processes may have the file open.
    """

    def __init__(self, folder: Path, *, mend: bool = False) -> None:
        self._path = folder / FILE
        self.damages: list[str] = []
        with _error_scope(self._path):
            self._db, self.damages = database_file.opened(self._path, STEPS, mend=mend)
        self._files = Watched(self._path)
        self._files.lost()  # as they are now

    def look_after_file(self, wall: datetime) -> None:
        """Write the notes again where their file has gone while it is open; see `damages`."""
        if not self._files.lost():
            return
        with _error_scope(self._path):
            said = rewritten(self._db, self._path, wall, FileCalls())
            self._db, _ = database_file.opened(self._path, STEPS, mend=False)
        self._files = Watched(self._path)
        self._files.lost()
        self.damages.append(said)

    def close(self) -> None:
        self._db.close()

    # --- marks ---

    def mark(self, visit: str, kind: Kind, wall: datetime, visitor: Visitor | None = None) -> None:
        """Write down what a person says of `visit`; a `visitor` goes with `Kind.NAME` and no other."""
        if (kind is Kind.NAME) != (visitor is not None):
            raise ValueError("a visitor goes with the mark of a name")
        named = (visitor.species, visitor.group, visitor.scientific) if visitor else (None, None, None)
        with self._writing() as db:
            db.execute(
                "INSERT INTO marks (visit, kind, species, group_name, scientific, wall)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (visit, kind.value, *named, wall_text(wall)),
            )

    def undo(self, visit: str) -> Mark | None:
        """Take back the newest mark on `visit` that stands; return it, or None if there is none."""
        with self._writing() as db:
            row = db.execute(
                "SELECT * FROM marks WHERE visit = ? AND NOT undone ORDER BY seq DESC LIMIT 1", (visit,)
            ).fetchone()
            if row is None:
                return None
            db.execute("UPDATE marks SET undone = 1 WHERE seq = ?", (row["seq"],))
            return _mark_of(row)

    def marks(self, newest: int | None = None) -> list[Mark]:
        """Marks that stand, in order of marking; the `newest` of them, if given."""
        query = "SELECT * FROM (SELECT * FROM marks WHERE NOT undone ORDER BY seq DESC LIMIT ?) ORDER BY seq"
        with _error_scope(self._path):
            rows = self._db.execute(query, (-1 if newest is None else newest,)).fetchall()
        return [_mark_of(row) for row in rows]

    def taken_back(self) -> set[int]:
        """Numbers of marks that stand no longer, as far as they are still known."""
        with _error_scope(self._path):
            return {int(row["seq"]) for row in self._db.execute("SELECT seq FROM marks WHERE undone")}

    def said(self) -> dict[str, Said]:
        """Visit id -> what people said of it. Memory grows with marks, not with visits."""
        by_visit: dict[str, list[Mark]] = {}
        for mark in self.marks():
            by_visit.setdefault(mark.visit, []).append(mark)
        return {visit: said(marks) for visit, marks in by_visit.items()}

    # --- the mute ---

    def mute(self, until: datetime | None, wall: datetime) -> None:
        """Only urgent alerts are sent until `until` (None: no longer). Asked for at `wall`."""
        with self._writing() as db:
            db.execute("DELETE FROM mute")
            if until is not None:
                db.execute(
                    "INSERT INTO mute (one, until_wall, wall) VALUES (1, ?, ?)",
                    (wall_text(until), wall_text(wall)),
                )

    def muted_until(self) -> datetime | None:
        """When the mute ends that was asked for last, be it over or not; None: none, or it was ended."""
        with _error_scope(self._path):
            row = self._db.execute("SELECT until_wall FROM mute").fetchone()
        return None if row is None else _time(row["until_wall"])

    # --- what the box notes ---

    def off(self, start: datetime, end: datetime, reason: str) -> None:
        """The box did not watch from `start` to `end`. Nothing is written for an empty stretch."""
        if start >= end:
            return
        with self._writing() as db:
            db.execute(
                "INSERT INTO off_times (start_wall, end_wall, reason) VALUES (?, ?, ?)",
                (wall_text(start), wall_text(end), reason),
            )

    def off_since(self, start: datetime, reason: str) -> None:
        """The box stopped watching at `start`; `off_over` says when that ended."""
        with self._writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO off_now (one, start_wall, reason) VALUES (1, ?, ?)",
                (wall_text(start), reason),
            )

    def off_over(self, end: datetime, shortest: timedelta = timedelta()) -> None:
        """The time off that was going on ended at `end`; forgotten if it was shorter than `shortest`."""
        with self._writing() as db:
            row = db.execute("SELECT start_wall, reason FROM off_now").fetchone()
            if row is None:
                return
            if end > _time(row["start_wall"]) and end - _time(row["start_wall"]) >= shortest:
                db.execute(
                    "INSERT INTO off_times (start_wall, end_wall, reason) VALUES (?, ?, ?)",
                    (row["start_wall"], wall_text(end), row["reason"]),
                )
            db.execute("DELETE FROM off_now")

    def off_times(self, start: datetime, end: datetime) -> list[OffTime]:
        """Times off that touch `start` to `end`, in order of beginning; one that is not over is the last."""
        query = "SELECT * FROM off_times WHERE end_wall > ? AND start_wall < ? ORDER BY start_wall, seq"
        with _error_scope(self._path):
            rows = self._db.execute(query, (wall_text(start), wall_text(end))).fetchall()
            open_one = self._db.execute("SELECT * FROM off_now WHERE start_wall < ?", (wall_text(end),))
            now = open_one.fetchone()
        found = [OffTime(_time(row["start_wall"]), _time(row["end_wall"]), row["reason"]) for row in rows]
        if now is not None:
            found.append(OffTime(_time(now["start_wall"]), end, now["reason"], running=True))
        return found

    def readings(self, rows: Iterable[tuple[datetime, str, float]]) -> None:
        """Temperatures, each with its time and its sensor, °C; all or none."""
        with self._writing() as db:
            db.executemany(
                "INSERT OR REPLACE INTO readings (wall, sensor, temp_c) VALUES (?, ?, ?)",
                [(wall_text(wall), sensor, float(temp_c)) for wall, sensor, temp_c in rows],
            )

    def reading(self, wall: datetime, sensor: str, temp_c: float) -> None:
        self.readings([(wall, sensor, temp_c)])

    def warmth(self, start: datetime, end: datetime) -> list[Warmth]:
        """Each sensor's range from `start` to before `end`, by name."""
        query = (
            "SELECT sensor, MIN(temp_c) AS least, MAX(temp_c) AS most FROM readings"
            " WHERE wall >= ? AND wall < ? GROUP BY sensor ORDER BY sensor"
        )
        with _error_scope(self._path):
            rows = self._db.execute(query, (wall_text(start), wall_text(end))).fetchall()
        return [Warmth(row["sensor"], row["least"], row["most"]) for row in rows]

    def held(self, day: date, reason: str, count: int = 1) -> None:
        """The gate held something back `count` more times on the local date `day`."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO held (day, reason, count) VALUES (?, ?, ?)"
                " ON CONFLICT (day, reason) DO UPDATE SET count = count + excluded.count",
                (day.isoformat(), reason, count),
            )

    def held_on(self, day: date) -> list[tuple[str, int]]:
        """Reasons and how often, the most frequent first."""
        query = "SELECT reason, count FROM held WHERE day = ? ORDER BY count DESC, reason"
        with _error_scope(self._path):
            return [(row["reason"], row["count"]) for row in self._db.execute(query, (day.isoformat(),))]

    def forget_before(self, wall: datetime, visits: Sequence[str] = ()) -> None:
        """Drop what the box noted before `wall`, and marks on `visits`, which are gone."""
        before = wall_text(wall)
        with self._writing() as db:
            db.execute("DELETE FROM off_times WHERE end_wall < ?", (before,))
            db.execute("DELETE FROM readings WHERE wall < ?", (before,))
            db.execute("DELETE FROM held WHERE day < ?", (before[:10],))
            db.executemany("DELETE FROM marks WHERE visit = ?", [(visit,) for visit in visits])

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with _error_scope(self._path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise


@contextmanager
def _error_scope(path: Path) -> Iterator[None]:
    """Turn what goes wrong in the database into a `StoreError`."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        if not path.parent.is_dir():
            raise StoreError(
                f"there is no state folder {path.parent}: this box has not run yet",
                "start it first, or name the box file of one that has run",
            ) from error
        raise StoreError(
            f"the journal's notes in {path} cannot be used: {error}",
            "see that this user may write there and that the disk is not full; if the file is damaged, start"
            " the service again: it sets it aside and saves what marks it can",
        ) from error


def _mark_of(row: sqlite3.Row) -> Mark:
    kind = Kind(row["kind"])
    visitor = None
    if kind is Kind.NAME:
        visitor = Visitor(row["group_name"], 1.0, row["species"], row["scientific"])
    return Mark(row["seq"], row["visit"], kind, _time(row["wall"]), visitor)


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)
