"""Is the database whole in which visits and alerts are kept? It is only read."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from dooryard.outbox import schema
from dooryard.outbox.own import DATABASE
from dooryard.survey.lines import Finding, bad, good, look

_ABOUT = "store"


def store_lines(folder: Path) -> Sequence[Finding]:
    """Whether the database in `folder` can be read, by SQLite's own check. No line: there is none yet."""
    path = folder / DATABASE
    if not path.exists():
        return []
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=10.0)) as db:
            said = str(db.execute("PRAGMA quick_check(1)").fetchone()[0])
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.OperationalError as error:  # locked, not readable: nothing is known of its content
        return [look(_ABOUT, f"{path} could not be looked into: {error}", "check its owner, and try again")]
    except sqlite3.DatabaseError as error:
        return [_damaged(path, str(error))]
    if said != "ok":
        return [_damaged(path, said)]
    if version > len(schema.STEPS):
        return [bad(_ABOUT, f"{path} was written by a newer program", "install that one again")]
    return [good(_ABOUT, f"{path} is whole")]


def _damaged(path: Path, why: str) -> Finding:
    remedy = (
        "put back a copy, if there is one; otherwise the service sets this one aside at its next start "
        "and begins a new one"
    )
    return bad(_ABOUT, f"{path} is damaged: {why}", remedy)
