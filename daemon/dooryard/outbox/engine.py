"""The store's engine: the open database, and how one write to it and to the picture folder is made."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from dooryard.core.atomic_files import FileCalls, make_folders
from dooryard.core.errors import StoreError
from dooryard.outbox import rows, schema, soundness
from dooryard.outbox.folder import (
    FolderLock,
    reconcile,
    remove_leftovers,
    set_aside,
)
from dooryard.outbox.own import DATABASE, PICTURES, claim
from dooryard.outbox.picture_files import PictureFiles
from dooryard.outbox.problems import damage, is_damage, store_error
from dooryard.outbox.rescue import Watched, rewritten

T = TypeVar("T")


class Engine:
    """Database and pictures of one state folder, held by this process. Build it with `start`."""

    def __init__(self, folder: Path, disk: FileCalls, lock: FolderLock, db: sqlite3.Connection) -> None:
        self.folder = folder
        self.disk = disk
        self.pictures = PictureFiles(folder, disk)
        self._folder_lock = lock
        self._db = db
        self._files = Watched(folder / DATABASE)
        self._files.lost()  # as they are now
        self._lock = threading.RLock()

    def close(self) -> None:
        with self._lock:
            self._db.close()
            self._folder_lock.release()

    def look_after_file(self, wall: datetime) -> str | None:
        """Write the database again where its file has gone while it is open; what happened, in words."""
        with self._lock:
            if not self._files.lost():
                return None
            try:
                said = rewritten(self._db, self.folder / DATABASE, wall, self.disk)
                self._db = _connected(self.folder, self.disk)
                self._folder_lock.renew()
                self.pictures.make_folder()
            except (OSError, sqlite3.Error) as error:
                raise store_error(error, "writing the deleted database again", self.folder) from error
            self._files.forget()
            self._files.lost()
            return said

    @contextmanager
    def error_scope(self, doing: str) -> Iterator[sqlite3.Connection]:
        """Hold the connection, and turn what goes wrong into a `StoreError`."""
        with self._lock:
            try:
                yield self._db
            except (OSError, sqlite3.Error) as error:
                raise store_error(error, doing, self.folder) from error
            except UnicodeDecodeError as error:  # SQLite's complaint holds bytes from a damaged file
                raise store_error(damage("text that is not UTF-8"), doing, self.folder) from error

    @contextmanager
    def writing(self, doing: str) -> Iterator[sqlite3.Connection]:
        """One transaction: all of the block, or nothing of it."""
        with self.error_scope(doing) as db, soundness.transaction(db):
            yield db

    @contextmanager
    def writing_with_picture(
        self, doing: str, path: str, jpeg: bytes | None, wall: datetime
    ) -> Iterator[tuple[sqlite3.Connection, str | None]]:
        """The picture durably first, then one transaction that has its row already.

        Gives the connection and `path`, or None for `path` when there is no `jpeg`. When the transaction
        fails, the picture goes again.
        """
        if jpeg is None:
            with self.writing(doing) as db:
                yield db, None
            return
        stored = self.pictures.write(path, jpeg, doing)
        try:
            with self.writing(doing) as db:
                rows.insert_picture(db, stored, wall)
                yield db, path
        except Exception as error:
            self.pictures.take_back(path, error)
            raise

    def select(self, make: Callable[[sqlite3.Row], T], query: str, *values: object) -> list[T]:
        """The rows that `query` finds, each made into a record by `make`."""
        with self.error_scope("reading the store") as db:
            found = db.execute(query, values).fetchall()
        try:
            return [make(row) for row in found]
        except (ValueError, TypeError, LookupError) as error:
            # The file is sound as a database, but something in it says what this program never wrote.
            raise StoreError(
                f"reading the store in {self.folder} failed: a row makes no sense ({type(error).__name__})",
                "the card may be failing: copy the folder away, and begin with an empty one",
            ) from error

    def remove_pictures(self, paths: Iterable[str]) -> None:
        """Remove files whose rows are gone. One that is stuck raises, and the next start removes it."""
        with self.error_scope("removing pictures"):
            self.pictures.remove(paths)

    def give_back_space(self) -> None:
        """Shrink the database file and remove empty picture folders."""
        with self.error_scope("upkeep") as db:
            # As a script: `execute` would stop after the first page it frees.
            db.executescript("PRAGMA incremental_vacuum")
            self.pictures.remove_empty_folders()


def start(folder: Path, wall: datetime, disk: FileCalls) -> tuple[Engine, list[str], list[str]]:
    """Take hold of `folder` (made if missing) and put it in order.

    Returns notes about what was mended, and about what was found damaged.

    Raises `AlreadyRunningError` when another process holds it, `StoreError` when it cannot be used.
    """
    try:
        claim(folder)
        make_folders(folder, disk)
        lock = FolderLock(folder)
        try:
            db, notes, damages = _opened(folder, wall, disk)
        except BaseException:
            lock.release()
            raise
    except (OSError, sqlite3.Error) as error:
        raise store_error(error, "opening the store", folder) from error
    return Engine(folder, disk, lock, db), notes, damages


def _opened(folder: Path, wall: datetime, disk: FileCalls) -> tuple[sqlite3.Connection, list[str], list[str]]:
    count = remove_leftovers(folder, disk)
    notes = [f"{count} unfinished file{'' if count == 1 else 's'} removed"] if count else []
    damages: list[str] = []
    try:
        db = _connected(folder, disk)
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        damages = set_aside(folder, wall, disk)
        notes += damages
        db = _connected(folder, disk)
    try:
        make_folders(folder / PICTURES, disk)
        disk.sync_folder(folder)
        notes += reconcile(db, folder, disk)
    except BaseException:
        db.close()
        raise
    return db, notes, damages


def _connected(folder: Path, disk: FileCalls) -> sqlite3.Connection:
    """Open, check and migrate the database. Damage shows as an error for which `is_damage` is true."""
    with soundness.closed_on_error(disk.connect(folder / DATABASE)) as db:
        db.row_factory = sqlite3.Row
        schema.prepare(db)
        soundness.check(db)
        schema.migrate(db)
        soundness.check_tables(db, schema.migrate)
    return db
