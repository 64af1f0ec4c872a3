"""The state folder: one process at a time, and put in order at each start."""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from dooryard.core.atomic_files import TEMP_SUFFIX, FileCalls
from dooryard.core.errors import AlreadyRunningError
from dooryard.outbox.own import DATABASE, LOCK, PICTURES, SET_ASIDE, date_folders_in, pictures_in

KEPT_ASIDE = 2  # sets; an older one is removed when a new one comes


class FolderLock:
    """Holds the folder until `release` or the end of the process; the kernel lets go even after a kill."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._descriptor: int | None = None
        self._take()

    def renew(self) -> None:
        """Hold the folder again where the lock's file has been deleted."""
        if not (self._folder / LOCK).exists():
            self.release()
            self._take()

    def _take(self) -> None:
        folder = self._folder
        self._descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(self._descriptor, 20).decode(errors="replace").strip()
            os.close(self._descriptor)
            who = f"process {holder}" if holder else "another process"
            raise AlreadyRunningError(
                f"{who} already works in {folder}",
                "stop it first (systemctl stop dooryard), or give this one a state folder of its own",
            ) from error
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def remove_leftovers(folder: Path, disk: FileCalls) -> int:
    """Remove unfinished pictures that a power cut left behind; return how many there were."""
    leftovers = [path for path in pictures_in(folder / PICTURES) if path.name.endswith(TEMP_SUFFIX)]
    for path in leftovers:
        disk.remove(path)
    return len(leftovers)


def set_aside(folder: Path, wall: datetime, disk: FileCalls) -> list[str]:
    """Rename a damaged database and its pictures out of the way; return notes about it.

    The pictures go with it because no row describes them any longer. At most `KEPT_ASIDE` such sets stay.
    """
    mark = _free_mark(folder, wall)
    name = f"dooryard-{mark}.sqlite3"
    for suffix in ("", "-wal", "-shm"):
        if (folder / (DATABASE + suffix)).exists():
            disk.rename(folder / (DATABASE + suffix), folder / (name + suffix))
    if (folder / PICTURES).exists():
        disk.rename(folder / PICTURES, folder / f"{PICTURES}-{mark}")
    disk.sync_folder(folder)
    notes = [f"the database was damaged: it is set aside as {name} with its pictures, and a fresh one begun"]
    return notes + _drop_oldest_sets(folder)


def reconcile(db: sqlite3.Connection, folder: Path, disk: FileCalls) -> list[str]:
    """Make picture files and rows agree; return notes about what did not.

    A picture of ours without a row belongs to a visit that was never stored: it is removed. A row whose file
    is missing or has another length loses its picture; the visit and its alerts stay. Whatever else stands in
    the folder is somebody's, and stays.
    """
    root = folder / PICTURES
    sizes = {str(path.relative_to(root)): path.stat().st_size for path in pictures_in(root)}
    rows = {row["path"]: row["bytes"] for row in db.execute("SELECT path, bytes FROM pictures")}
    unknown = sorted(sizes.keys() - rows.keys())
    missing = sorted(rows.keys() - sizes.keys())
    torn = sorted(path for path in rows.keys() & sizes.keys() if rows[path] != sizes[path])
    _forget(db, missing + torn)
    for path in unknown + torn:
        disk.remove(root / path)
    found = (
        (unknown, "belonged to no stored visit and went away"),
        (missing, "had gone missing: the visit stays without it"),
        (torn, "had the wrong length and went away: the visit stays without it"),
    )
    return [f"{_some(paths)} {what}" for paths, what in found if paths]


def remove_empty_folders(root: Path) -> None:
    """Remove day, month and year folders that hold nothing any more."""
    for folder in date_folders_in(root):
        if not os.listdir(folder):  # noqa: PTH208  (a name is enough)
            folder.rmdir()


def _forget(db: sqlite3.Connection, paths: list[str]) -> None:
    db.execute("BEGIN IMMEDIATE")
    try:
        for path in paths:
            db.execute("UPDATE visits SET picture = NULL WHERE picture = ?", (path,))
            db.execute("UPDATE alerts SET picture = NULL WHERE picture = ?", (path,))
            db.execute("DELETE FROM pictures WHERE path = ?", (path,))
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _free_mark(folder: Path, wall: datetime) -> str:
    stem = SET_ASIDE + wall.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    mark, number = stem, 1
    while (folder / f"dooryard-{mark}.sqlite3").exists() or (folder / f"{PICTURES}-{mark}").exists():
        number += 1
        mark = f"{stem}-{number}"
    return mark


def _drop_oldest_sets(folder: Path) -> list[str]:
    databases = sorted(folder.glob(f"dooryard-{SET_ASIDE}*.sqlite3"), key=lambda path: path.stat().st_mtime)
    notes = []
    for database in databases[:-KEPT_ASIDE]:
        pictures = folder / database.stem.replace("dooryard", PICTURES, 1)
        for picture in pictures_in(pictures):
            picture.unlink()
        remove_empty_folders(pictures)
        with contextlib.suppress(OSError):  # something of the owner's is in it: it stays
            pictures.rmdir()
        for suffix in ("-wal", "-shm", ""):
            database.with_name(database.name + suffix).unlink(missing_ok=True)
        notes.append(f"{database.name}, set aside earlier, was removed to keep the folder in bounds")
    return notes


def _some(paths: list[str]) -> str:
    shown = ", ".join(paths[:3]) + (", ..." if len(paths) > 3 else "")
    return f"{len(paths)} picture{'' if len(paths) == 1 else 's'} ({shown})"
