"""The annotation database's file: opened, brought to this version; if damaged, set aside, its marks saved."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from dooryard.history.entries import Kind
from dooryard.outbox import soundness
from dooryard.outbox.problems import damage, is_damage
from dooryard.outbox.soundness import Step

_ALL_MARKS = "SELECT seq, visit, kind, species, group_name, scientific, wall, undone FROM marks ORDER BY seq"
_ALL_TEXTS = (  # a time first, then what else must be text
    "SELECT start_wall, reason FROM off_times",
    "SELECT end_wall FROM off_times",
    "SELECT start_wall, reason FROM off_now",
    "SELECT wall, sensor FROM readings",
    "SELECT day, reason FROM held",
    "SELECT until_wall FROM mute",
    "SELECT wall FROM mute",
)
_MARK = "INSERT OR IGNORE INTO marks VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


def opened(path: Path, steps: Sequence[Step], *, mend: bool) -> tuple[sqlite3.Connection, list[str]]:
    """The file at version `len(steps)`, and what was found damaged.

    Raises sqlite3.Error where it cannot be used, or is damaged and not to be mended; `StoreError` where a
    later program wrote it.
    """
    try:
        return _sound(path, steps, thorough=mend), []
    except sqlite3.DatabaseError as error:
        if not mend or not is_damage(error):
            raise
    aside = _set_aside(path)
    db = _sound(path, steps, thorough=True)
    saved = _save_marks(aside, db)
    marks = "1 mark" if saved == 1 else f"{saved} marks"
    what = (
        f"the journal's notes were damaged: they are set aside as {aside.name}, and started over with {marks}"
    )
    return db, [what]


def _sound(path: Path, steps: Sequence[Step], *, thorough: bool) -> sqlite3.Connection:
    """The open file; `thorough`: all of it is looked at first, as the service does when it starts."""

    def migrate(db: sqlite3.Connection) -> None:
        soundness.migrate(db, steps, "the journal's notes have")

    made = sqlite3.connect(path, timeout=10.0, isolation_level=None)
    with soundness.closed_on_error(made) as db:
        db.row_factory = sqlite3.Row
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        if thorough:
            soundness.check(db)
        migrate(db)
        if thorough:
            soundness.check_tables(db, migrate)
            _look_at_rows(db)
    return db


def _look_at_rows(db: sqlite3.Connection) -> None:
    """SQLite does not look into texts; a row that makes no sense is damage too."""
    try:
        for row in db.execute(_ALL_MARKS):
            if not _makes_sense(tuple(row)):
                raise damage("a mark makes no sense")
        for query in _ALL_TEXTS:
            for row in db.execute(query):
                datetime.fromisoformat(row[0])
    except ValueError as error:  # not a time
        raise damage(str(error)) from error
    except sqlite3.OperationalError as error:
        if "decode" not in str(error):
            raise
        raise damage("text that is not UTF-8") from error


def _set_aside(path: Path) -> Path:
    """Rename the file out of the way; none that was set aside before is overwritten or removed."""
    stem = f"journal-damaged-{datetime.fromtimestamp(path.stat().st_mtime, UTC):%Y%m%dT%H%M%SZ}"
    number, aside = 1, path.with_name(f"{stem}.sqlite3")
    while aside.exists():
        number += 1
        aside = path.with_name(f"{stem}-{number}.sqlite3")
    for suffix in ("-wal", "-shm", ""):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    return aside


def _save_marks(aside: Path, db: sqlite3.Connection) -> int:
    """Copy what marks can be read, from both ends of the table; return how many."""
    db.execute("BEGIN IMMEDIATE")
    with closing(sqlite3.connect(aside, timeout=10.0, isolation_level=None)) as damaged:
        for order in ("", " DESC"):
            for row in _readable(damaged, order):
                db.execute(_MARK, row)
    db.execute("COMMIT")
    return int(db.execute("SELECT COUNT(*) FROM marks").fetchone()[0])


def _readable(damaged: sqlite3.Connection, order: str) -> Iterator[tuple[object, ...]]:
    query = f"{_ALL_MARKS}{order}"  # two words of ours
    try:
        for row in damaged.execute(query):
            if _makes_sense(row):
                yield row
    except (sqlite3.Error, UnicodeDecodeError):  # as far as it goes; the other end is tried as well
        return


def _makes_sense(row: tuple[object, ...]) -> bool:
    seq, visit, kind, species, group, scientific, wall, undone = row
    named = kind == Kind.NAME.value
    texts = all(isinstance(text, str) for text in (visit, wall, group if named else visit))
    optional = all(text is None or isinstance(text, str) for text in (species, group, scientific))
    if not (texts and optional and isinstance(seq, int) and undone in (0, 1)):
        return False
    try:
        return (
            kind in [known.value for known in Kind] and datetime.fromisoformat(str(wall)).tzinfo is not None
        )
    except ValueError:
        return False
