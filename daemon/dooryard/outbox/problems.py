"""Turns what the file system and the database say into an error with a remedy."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

from dooryard.core.errors import StoreError

_FULL = "free some space or lower the policy's keeping limits; visits are stored again once there is room"
_READ_ONLY = (
    "the card may have gone read-only after errors: look at the kernel's log, check the card, "
    "and see that the service's user owns the folder"
)
_FAILING = "the card may be failing: copy the folder away, replace the card, and start again"
_LOCKED = "close other programs that have the database open"
_DAMAGED = "start the service again: it sets a damaged database aside and begins a fresh one"
_FAULT = "this should not happen: please report it with the log"

_BY_ERRNO = {
    errno.ENOSPC: ("the disk is full", _FULL),
    errno.EDQUOT: ("the disk quota is used up", _FULL),
    errno.EROFS: ("the file system is read-only", _READ_ONLY),
    errno.EACCES: ("permission is denied", _READ_ONLY),
    errno.EPERM: ("permission is denied", _READ_ONLY),
    errno.EIO: ("the disk reports an input/output error", _FAILING),
    errno.ENOENT: ("a file or folder is missing", "see that the state folder exists and is mounted"),
}
_BY_SQLITE = {
    sqlite3.SQLITE_FULL: ("the disk is full", _FULL),
    sqlite3.SQLITE_READONLY: ("the database is read-only", _READ_ONLY),
    sqlite3.SQLITE_CANTOPEN: ("the database cannot be opened", _READ_ONLY),
    sqlite3.SQLITE_PERM: ("permission is denied", _READ_ONLY),
    sqlite3.SQLITE_IOERR: ("the disk reports an input/output error", _FAILING),
    sqlite3.SQLITE_BUSY: ("another program keeps the database locked", _LOCKED),
    sqlite3.SQLITE_LOCKED: ("another program keeps the database locked", _LOCKED),
    sqlite3.SQLITE_CORRUPT: ("the database is damaged", _DAMAGED),
    sqlite3.SQLITE_NOTADB: ("the database is damaged", _DAMAGED),
}
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def store_error(error: OSError | sqlite3.Error, doing: str, folder: Path) -> StoreError:
    """The `StoreError` for `error`, which came up while `doing` ("storing a visit") in `folder`."""
    if isinstance(error, OSError):
        what, remedy = _BY_ERRNO.get(error.errno or 0, (error.strerror or type(error).__name__, _FAULT))
    else:
        what, remedy = _BY_SQLITE.get(_primary_code(error), (f"{type(error).__name__}: {error}", _FAULT))
    return StoreError(f"{doing} in {folder} failed: {what}", remedy)


def damage(found: str) -> sqlite3.DatabaseError:
    """The error for a damaged database that SQLite itself did not raise as one."""
    error = sqlite3.DatabaseError(found)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def is_damage(error: sqlite3.Error) -> bool:
    """True when the database file itself is broken, as against out of reach."""
    # The number of the file's format is in its head, and has no code of its own when it is none.
    return _primary_code(error) in _DAMAGE or "unsupported file format" in str(error)


def _primary_code(error: sqlite3.Error) -> int:
    # Extended codes carry the primary code in their low byte (SQLite, "Result and Error Codes").
    return getattr(error, "sqlite_errorcode", 0) & 0xFF
