"""Whether an open database is whole, and the way from an earlier version of it to this one.

For every database of the state folder: each has steps, and how many were taken is its version.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager

from dooryard.core.errors import StoreError
from dooryard.outbox.problems import damage

Step = Sequence[str]  # the statements of one migration, run in one transaction


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All of the block, or nothing of it; no other writer between."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


@contextmanager
def closed_on_error(db: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Close `db` where the block fails. Text that Python cannot read becomes an error of SQLite's, damage."""
    try:
        yield db
    except UnicodeDecodeError as error:  # Python could not even read SQLite's complaint about the file
        db.close()
        raise damage("text that is not UTF-8") from error
    except BaseException:
        db.close()
        raise


def check(db: sqlite3.Connection) -> None:
    """SQLite's own check of all pages. Damage shows as an error for which `is_damage` is true."""
    found = db.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise damage(found)


def check_tables(db: sqlite3.Connection, migrate: Callable[[sqlite3.Connection], None]) -> None:
    """Whether each table that `migrate` makes is there, letter for letter; damage as in `check`.

    SQLite's own check passes over a damaged name. What else an owner may have added is left alone. So the
    text of a step is never edited, and no step renames a table (SQLite's versions differ in how they write
    that down).
    """
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        migrate(fresh)
        made = _definitions(fresh)
    found = _definitions(db)
    for name, text in made.items():
        if found.get(name) != text:
            raise damage(f"{name} is not as it was made")


def migrate(db: sqlite3.Connection, steps: Sequence[Step], whose: str) -> None:
    """Bring the database to version `len(steps)`, each step in a transaction of its own; see `version_of`."""
    while (version := version_of(db, len(steps), whose)) < len(steps):
        with transaction(db):
            if version_of(db, len(steps), whose) > version:  # another process has been first
                continue
            for statement in steps[version]:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {version + 1}")


def version_of(db: sqlite3.Connection, latest: int, whose: str) -> int:
    """The version of an open database. Raises `StoreError` when a later program than this one wrote it."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if version > latest:
        raise StoreError(
            f"{whose} version {version}; this program knows versions up to {latest}",
            "install the newer program again, or begin with another state folder",
        )
    return version


def _definitions(db: sqlite3.Connection) -> dict[str, str]:
    rows = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table' ORDER BY name")
    return {str(name): str(text) for name, text in rows}
