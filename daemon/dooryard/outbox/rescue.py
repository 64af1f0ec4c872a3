"""A database whose file was deleted or replaced while it is open: noticed, and written again without a loss.

The kernel keeps a deleted file for who has it open. So all that was stored is still there to be copied, until
the program ends; then it would be gone.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from dooryard.core.atomic_files import TEMP_SUFFIX, FileCalls, make_folders

_Identity = tuple[int, int]  # device and inode


@dataclass(slots=True)
class Watched:
    """The files of one open database."""

    path: Path
    _seen: dict[str, _Identity] = field(default_factory=dict)

    def lost(self) -> bool:
        """Whether one of the files is no longer what it was when this was first asked."""
        for suffix in ("", "-wal"):
            now = _identity(self.path.with_name(self.path.name + suffix))
            if now is not None and suffix not in self._seen:
                self._seen[suffix] = now
            if self._seen.get(suffix) != now:
                return True
        return False

    def forget(self) -> None:
        """The next look is the first again."""
        self._seen.clear()


def rewritten(db: sqlite3.Connection, path: Path, wall: datetime, disk: FileCalls) -> str:
    """Write all that `db` holds to `path` and close `db`; say what became of it.

    A file that somebody put there meanwhile is kept under another name. Raises OSError or sqlite3.Error;
    then `db` may be closed.
    """
    make_folders(path.parent, disk)
    temp = path.with_name(path.name + TEMP_SUFFIX)
    temp.unlink(missing_ok=True)
    with closing(disk.connect(temp)) as copy:
        db.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
    descriptor = os.open(temp, os.O_RDONLY | os.O_CLOEXEC)
    try:
        disk.sync(descriptor)
    finally:
        os.close(descriptor)
    db.close()  # takes the files beside the old one away, so it comes before the new one
    found = _keep_what_is_there(path, wall, disk)
    for suffix in ("-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    disk.rename(temp, path)
    disk.sync_folder(path.parent)
    kept = f"; what was put in its place is kept as {found}" if found else ""
    return f"{path.name} was deleted or replaced while it was open: it is rewritten, nothing is lost{kept}"


def _keep_what_is_there(path: Path, wall: datetime, disk: FileCalls) -> str | None:
    if not path.exists():
        return None
    stem, number = f"{path.stem}-found-{wall:%Y%m%dT%H%M%SZ}", 1
    aside = path.with_name(f"{stem}{path.suffix}")
    while aside.exists():
        number += 1
        aside = path.with_name(f"{stem}-{number}{path.suffix}")
    disk.rename(path, aside)
    return aside.name


def _identity(path: Path) -> _Identity | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
