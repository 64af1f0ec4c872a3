"""The database's tables, and the steps that lead from each earlier version to this one.

Wall times are ISO 8601 text in UTC with microseconds, so that they sort as text. `seq` counts in the
order of storing and never repeats; it orders things when the wall clock has been set in between.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Sequence

from dooryard.outbox import soundness
from dooryard.outbox.soundness import Step

_WHOSE = "the database has"

_VERSION_1: Step = (
    # One row per picture file. A file is written once and never changed; bytes and sha256 describe it.
    """CREATE TABLE pictures (
        path TEXT PRIMARY KEY,
        bytes INTEGER NOT NULL,
        sha256 TEXT NOT NULL,
        wall TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE visits (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        id TEXT NOT NULL UNIQUE,
        start_wall TEXT NOT NULL,
        last_seen_wall TEXT NOT NULL,
        end_wall TEXT,
        stay_s REAL NOT NULL,
        clock_set INTEGER NOT NULL,
        group_name TEXT NOT NULL,
        species TEXT,
        scientific TEXT,
        sure REAL NOT NULL,
        sightings INTEGER NOT NULL,
        x0 REAL NOT NULL,
        y0 REAL NOT NULL,
        x1 REAL NOT NULL,
        y1 REAL NOT NULL,
        picture TEXT REFERENCES pictures(path),
        outcome TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX visits_by_start ON visits(start_wall)",
    "CREATE INDEX visits_by_picture ON visits(picture)",
    """CREATE TABLE decisions (
        visit TEXT PRIMARY KEY REFERENCES visits(id) ON DELETE CASCADE,
        outcome TEXT NOT NULL,
        rule TEXT,
        sinks TEXT NOT NULL,
        clauses TEXT NOT NULL,
        reason TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE alerts (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        id TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL,
        wall TEXT NOT NULL,
        clock_set INTEGER NOT NULL,
        title TEXT NOT NULL,
        text TEXT NOT NULL,
        sinks TEXT NOT NULL,
        visit TEXT REFERENCES visits(id) ON DELETE CASCADE,
        visitor TEXT,
        picture TEXT REFERENCES pictures(path),
        urgent INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX alerts_by_visit ON alerts(visit)",
    "CREATE INDEX alerts_by_picture ON alerts(picture)",
    # wait_s: seconds from the last attempt to the next; age_s: seconds from storing to the last attempt.
    # Neither is a point in time, because both clocks start again after a power cut.
    """CREATE TABLE deliveries (
        alert TEXT NOT NULL REFERENCES alerts(id) ON DELETE CASCADE,
        sink TEXT NOT NULL,
        state TEXT NOT NULL,
        attempts INTEGER NOT NULL DEFAULT 0,
        maybe INTEGER NOT NULL DEFAULT 0,
        wait_s REAL NOT NULL DEFAULT 0,
        age_s REAL NOT NULL DEFAULT 0,
        answer TEXT NOT NULL DEFAULT '',
        PRIMARY KEY (alert, sink)
    ) STRICT""",
    "CREATE INDEX deliveries_by_state ON deliveries(sink, state)",
    """CREATE TABLE states (
        name TEXT PRIMARY KEY,
        data BLOB NOT NULL,
        wall TEXT NOT NULL
    ) STRICT""",
)

_VERSION_2: Step = (
    # What a state must be: one comparison then finds whatever a failing card did to it.
    "ALTER TABLE states ADD COLUMN sha256 TEXT",
    "UPDATE states SET sha256 = sha256(data)",
)

_VERSION_3: Step = (
    # Which recipients of a sink with several have it, and which will never take it: JSON lists of names.
    "ALTER TABLE deliveries ADD COLUMN taken TEXT NOT NULL DEFAULT '[]'",
    "ALTER TABLE deliveries ADD COLUMN refused TEXT NOT NULL DEFAULT '[]'",
)

_VERSION_4: Step = (
    # trying_s: seconds from the first attempt to the last. instead_of: the sink that could not be reached,
    # where this delivery is in its place; "": it is to one of the alert's own sinks.
    "ALTER TABLE deliveries ADD COLUMN trying_s REAL NOT NULL DEFAULT 0",
    "ALTER TABLE deliveries ADD COLUMN instead_of TEXT NOT NULL DEFAULT ''",
)

STEPS: tuple[Step, ...] = (_VERSION_1, _VERSION_2, _VERSION_3, _VERSION_4)


def prepare(db: sqlite3.Connection) -> None:
    """Set how this connection keeps its promises; the first open also sets how the file is laid out."""
    # These two take effect before the first table is made. Small pages wear the card less: a transaction
    # here changes a little in each of many.
    db.execute("PRAGMA page_size = 512")
    db.execute("PRAGMA auto_vacuum = INCREMENTAL")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA wal_autocheckpoint = 32000")  # pages: what changes often is copied over seldom
    db.execute("PRAGMA journal_size_limit = 16777216")  # the log file shrinks back to 16 MiB


def migrate(db: sqlite3.Connection, steps: Sequence[Step] = STEPS) -> None:
    """Bring the database to version `len(steps)`; see `soundness`."""
    db.create_function("sha256", 1, sha256, deterministic=True)
    soundness.migrate(db, steps, _WHOSE)


def version_of(db: sqlite3.Connection) -> int:
    """The version of an open database. Raises `StoreError` when a later program than this one wrote it."""
    return soundness.version_of(db, len(STEPS), _WHOSE)


def sha256(data: bytes) -> str:
    """The digest that stands beside `data`, in hexadecimal (FIPS 180-4)."""
    return hashlib.sha256(data).hexdigest()
