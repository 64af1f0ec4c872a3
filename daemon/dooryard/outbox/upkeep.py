"""Keeps the state folder within its bounds: the oldest that was told goes first.

Bytes are won by giving up pictures; the rows are small, and stay until they are too old or too many.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from datetime import datetime, timedelta

from dooryard.outbox.rows import wall_text
from dooryard.outbox.schedule import DeliveryState
from dooryard.policy.keeping import Stored, given_up

KEEP_ROWS = 200_000  # visits, and alerts without a visit, whatever their age: about 150 MB

_WAITING = DeliveryState.WAITING.value
# What some sink has still to be told stays.
_UNTOLD_VISIT = f"""EXISTS (SELECT 1 FROM alerts a JOIN deliveries d ON d.alert = a.id
    WHERE a.visit = visits.id AND d.state = '{_WAITING}')"""  # noqa: S608  (a constant of ours)
_UNTOLD_ALERT = f"""EXISTS (SELECT 1 FROM deliveries d
    WHERE d.alert = alerts.id AND d.state = '{_WAITING}')"""  # noqa: S608  (a constant of ours)
_UNTOLD_PICTURE = f"""EXISTS (SELECT 1 FROM alerts a JOIN deliveries d ON d.alert = a.id
    WHERE a.picture = p.path AND d.state = '{_WAITING}')"""  # noqa: S608  (a constant of ours)

# Visits that were marked to keep; :kept is a JSON array of their ids.
_KEPT_VISIT = "visits.id IN (SELECT value FROM json_each(:kept))"
_KEPT_PICTURE = """EXISTS (SELECT 1 FROM visits v
    WHERE v.picture = p.path AND v.id IN (SELECT value FROM json_each(:kept)))"""

_OLD = """seq <= (SELECT COALESCE(MAX(seq), 0) FROM {table} WHERE clock_set AND {wall} < :cutoff)
    AND ({wall} < :cutoff OR NOT clock_set)"""
_TOO_MANY = "seq <= (SELECT COALESCE(MAX(seq), 0) FROM {table}) - :keep_rows"


@dataclass(frozen=True, slots=True)
class Removed:
    """What upkeep took away."""

    visits: int = 0  # with their decisions, alerts and pictures
    alerts: int = 0  # that belonged to no visit
    pictures: tuple[str, ...] = ()  # paths relative to the picture folder
    untold_pictures: int = 0  # how many of these were given up before their alert was told

    def __bool__(self) -> bool:
        return bool(self.visits or self.alerts or self.pictures)


def remove_old(
    db: sqlite3.Connection,
    keep_days: float,
    now: datetime,
    keep_rows: int = KEEP_ROWS,
    kept: frozenset[str] = frozenset(),
) -> tuple[int, int]:
    """Delete visits and alerts older than `keep_days` that nobody waits for; return how many of each.

    `kept` are ids of visits that stay whatever their age.

    A wrong clock must not empty the folder. So ages count back from `now` or from the newest visit,
    whichever is earlier, and what was stored before the clock was set goes with its neighbours in
    storing order.
    """
    newest = db.execute("SELECT MAX(start_wall) FROM visits WHERE clock_set").fetchone()[0]
    reference = min(wall_text(now), newest or wall_text(now))
    cutoff = wall_text(datetime.fromisoformat(reference) - timedelta(days=keep_days))
    values = {"cutoff": cutoff, "keep_rows": keep_rows, "kept": json.dumps(sorted(kept))}
    return (
        _delete(db, "visits", "start_wall", f"NOT {_UNTOLD_VISIT} AND NOT {_KEPT_VISIT}", values),
        _delete(db, "alerts", "wall", f"visit IS NULL AND NOT {_UNTOLD_ALERT}", values),
    )


def give_up_pictures(
    db: sqlite3.Connection,
    keep_bytes: int,
    kept: frozenset[str] = frozenset(),
    *,
    favourites_count: bool = False,
    short_bytes: int = 0,
) -> int:
    """Take pictures from visits and alerts until pictures and database fit `keep_bytes`; see `given_up`.

    `kept` are ids of visits that were marked to keep. Returns how many went that were still to be told. The
    files' rows are left to `drop_unused_pictures`.
    """
    query = f"""SELECT path, bytes, {_UNTOLD_PICTURE} AS untold, {_KEPT_PICTURE} AS kept
        FROM pictures p ORDER BY rowid"""  # noqa: S608  (constants of ours)
    rows = db.execute(query, {"kept": json.dumps(sorted(kept))}).fetchall()
    stored = [Stored(row["path"], row["bytes"], bool(row["kept"]), bool(row["untold"])) for row in rows]
    gone = given_up(
        stored,
        other_bytes=database_bytes(db),
        keep_bytes=keep_bytes,
        favourites_count=favourites_count,
        short_bytes=short_bytes,
    )
    for picture in gone:
        db.execute("UPDATE visits SET picture = NULL WHERE picture = ?", (picture.path,))
        db.execute("UPDATE alerts SET picture = NULL WHERE picture = ?", (picture.path,))
    return sum(picture.untold for picture in gone)


def drop_unused_pictures(db: sqlite3.Connection) -> tuple[str, ...]:
    """Forget pictures that neither a visit nor an alert refers to; return their paths."""
    rows = db.execute(
        "DELETE FROM pictures WHERE NOT EXISTS (SELECT 1 FROM visits WHERE picture = path)"
        " AND NOT EXISTS (SELECT 1 FROM alerts WHERE picture = path) RETURNING path"
    )
    return tuple(row["path"] for row in rows.fetchall())


def database_bytes(db: sqlite3.Connection) -> int:
    """Bytes of the database in use."""
    pages = db.execute("PRAGMA page_count").fetchone()[0] - db.execute("PRAGMA freelist_count").fetchone()[0]
    return int(pages * db.execute("PRAGMA page_size").fetchone()[0])


def _delete(db: sqlite3.Connection, table: str, wall: str, only: str, values: dict[str, object]) -> int:
    old = _OLD.format(table=table, wall=wall)
    many = _TOO_MANY.format(table=table)
    # The pieces are constants of this module, never input.
    statement = f"DELETE FROM {table} WHERE {only} AND (({old}) OR ({many}))"  # noqa: S608
    return db.execute(statement, values).rowcount
