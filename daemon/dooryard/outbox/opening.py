"""The store's database as other commands open it: checked for its version, never made or migrated."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Literal

from dooryard.core.errors import StoreError
from dooryard.outbox import schema
from dooryard.outbox.own import DATABASE
from dooryard.outbox.problems import store_error

Mode = Literal["ro", "rw"]
_REMEDY = "name the state folder of a box that has run (state_folder in its box file)"


def opened(folder: Path, doing: str, mode: Mode = "ro") -> sqlite3.Connection:
    """The open database of `folder`, to be closed by the caller; every command comes in by this one door.

    An older version is read as it is (see `state`). Raises
    `StoreError` where there is none, where it can't be read, and where a later program wrote it.
    """
    path = folder / DATABASE
    if folder.exists() and not folder.is_dir():
        raise StoreError(
            f"the state folder {folder} is a file",
            "name another state_folder in the box file, or move that file away",
        )
    if not path.is_file():
        raise StoreError(f"there is no store in {folder}", _REMEDY)
    address = f"{path.resolve().as_uri()}?mode={mode}"
    try:
        db = sqlite3.connect(address, uri=True, timeout=10.0, isolation_level=None)
        try:
            db.row_factory = sqlite3.Row
            schema.version_of(db)
        except BaseException:
            db.close()
            raise
    except sqlite3.Error as error:
        raise store_error(error, doing, folder) from error
    return db


def state(db: sqlite3.Connection, name: str) -> bytes | None:
    """What is kept under `name`. None: nothing is, or it is damaged."""
    columns = [row["name"] for row in db.execute("PRAGMA table_info(states)")]
    digest = "sha256" if "sha256" in columns else "NULL"  # an older version has none
    query = f"SELECT data, {digest} FROM states WHERE name = ?"  # noqa: S608  (one of two words of ours)
    row = db.execute(query, (name,)).fetchone()
    if row is None:
        return None
    data = bytes(row[0])
    return data if digest == "NULL" or schema.sha256(data) == row[1] else None
