"""The deliveries' rows: the questions asked of them and the changes made to them, on an open database.

Changes are to be made within a transaction, which is the caller's.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from dooryard.core.records import Alert
from dooryard.outbox.rows import insert_alert, update_delivery, wall_text
from dooryard.outbox.schedule import Delivery, DeliveryState

WAITING_TO = """SELECT d.alert, d.sink, a.seq, d.attempts, d.maybe, d.wait_s, d.age_s, d.answer,
    d.taken, d.refused, d.trying_s, d.instead_of,
    EXISTS (SELECT 1 FROM deliveries o WHERE o.alert = d.alert AND o.instead_of = d.sink) AS passed_on,
    a.kind, a.urgent, a.wall, a.clock_set
    FROM deliveries d JOIN alerts a ON a.id = d.alert
    WHERE d.sink = ? AND d.state = ? ORDER BY a.seq DESC LIMIT ?"""

_UNTOLD = (DeliveryState.WAITING.value, DeliveryState.REFUSED.value, DeliveryState.EXPIRED.value)


@dataclass(frozen=True, slots=True)
class Listed:
    """A delivery as it is shown."""

    alert: str
    sink: str
    state: str
    kind: str
    title: str
    wall: str  # ISO 8601, UTC
    clock_set: bool
    attempts: int
    maybe: int
    answer: str
    instead_of: str = ""  # the sink that could not be reached


def listed(db: sqlite3.Connection, *, sink: str | None, everything: bool, limit: int) -> list[Listed]:
    """Deliveries that were not told, or with `everything` all of them; the newest `limit`, oldest first."""
    states = [state.value for state in DeliveryState] if everything else list(_UNTOLD)
    marks = ", ".join("?" * len(states))
    # Only question marks are put in.
    columns = [row["name"] for row in db.execute("PRAGMA table_info(deliveries)")]
    instead = "d.instead_of" if "instead_of" in columns else "''"  # an older version has none
    found = db.execute(
        "SELECT d.alert, d.sink, d.state, a.kind, a.title, a.wall, a.clock_set, d.attempts, d.maybe,"  # noqa: S608
        f" d.answer, {instead} AS instead_of FROM deliveries d JOIN alerts a ON a.id = d.alert"
        f" WHERE d.state IN ({marks})"
        " AND (? IS NULL OR d.sink = ?) ORDER BY a.seq DESC, d.sink LIMIT ?",
        (*states, sink, sink, limit),
    ).fetchall()
    shown = [Listed(**dict(row) | {"clock_set": bool(row["clock_set"])}) for row in found]
    return shown[::-1]


def start_over(db: sqlite3.Connection, alerts: Sequence[str], sink: str | None) -> int:
    """Let untold deliveries of `alerts` be tried again, with all their patience; return how many."""
    sets = "state = 'waiting', attempts = 0, wait_s = 0, age_s = 0"
    return _change(db, sets, "to be tried again", _UNTOLD, alerts, sink)


def drop(db: sqlite3.Connection, alerts: Sequence[str], sink: str | None) -> int:
    """End untold deliveries of `alerts`; return how many."""
    return _change(db, "state = 'dropped'", "dropped by its owner", _UNTOLD, alerts, sink)


def note_recipients(db: sqlite3.Connection, alert: str, taken: str, refused: str) -> None:
    """Write down who is done with an alert (JSON lists)."""
    db.execute("UPDATE deliveries SET taken = ?, refused = ? WHERE alert = ?", (taken, refused, alert))


def mark(db: sqlite3.Connection, delivery: Delivery, now_s: float, notice: Alert | None, to: str) -> None:
    """Write down where a delivery stands at `now_s` (monotonic), with what is to be told about that.

    A `notice` whose id is stored already is left out. `to`: the sink that is given the alert too; "": none.
    """
    update_delivery(db, delivery, now_s)
    if notice and not db.execute("SELECT 1 FROM alerts WHERE id = ?", (notice.id,)).fetchone():
        insert_alert(db, notice, notice.picture)
    if to:
        pass_on(db, [delivery.alert], delivery.sink, to)


def pass_on(db: sqlite3.Connection, alerts: Sequence[str], sink: str, to: str) -> int:
    """Give `alerts`, which `sink` could not be given, to the sink `to` as well: each once, however often.

    Return how many it had not yet.
    """
    statement = (
        "INSERT OR IGNORE INTO deliveries (alert, sink, state, instead_of)"
        " SELECT id, ?, ?, ? FROM alerts WHERE id = ?"
    )
    waits = DeliveryState.WAITING.value
    return sum(db.execute(statement, (to, waits, sink, alert)).rowcount for alert in alerts)


def end_digested(db: sqlite3.Connection, alerts: Sequence[str], sink: str, told_in: str) -> int:
    """End deliveries that another alert tells of; return how many."""
    return _change(
        db, "state = 'gathered'", f"told in {told_in}", (DeliveryState.WAITING.value,), alerts, sink
    )


def supersede(db: sqlite3.Connection, kind: str, sinks: Sequence[str]) -> None:
    """End what waits of a kind of which only the newest counts."""
    db.executemany(
        "UPDATE deliveries SET state = 'gathered', answer = 'a newer one took its place'"
        " WHERE sink = ? AND state = 'waiting' AND alert IN (SELECT id FROM alerts WHERE kind = ?)",
        [(sink, kind) for sink in sinks],
    )


def counts(db: sqlite3.Connection) -> dict[str, dict[str, int]]:
    """Sink -> state -> how many deliveries."""
    found: dict[str, dict[str, int]] = {}
    for sink, state, count in db.execute("SELECT sink, state, COUNT(*) FROM deliveries GROUP BY sink, state"):
        found.setdefault(sink, {})[state] = count
    return found


def end_those_to_others(db: sqlite3.Connection, sinks: Sequence[str]) -> dict[str, int]:
    """End what waits for sinks that are not in `sinks`: nobody would ever try. Sink -> how many."""
    ended = {
        sink: states[DeliveryState.WAITING.value]
        for sink, states in counts(db).items()
        if sink not in sinks and DeliveryState.WAITING.value in states
    }
    db.executemany(
        "UPDATE deliveries SET state = ?, answer = 'the box file no longer names this sink'"
        " WHERE sink = ? AND state = ?",
        [(DeliveryState.EXPIRED.value, sink, DeliveryState.WAITING.value) for sink in ended],
    )
    return ended


def mend_times(db: sqlite3.Connection, since_seq: int, offset: timedelta) -> int:
    """Shift the times of visits stored from `since_seq` on with the clock not set; return how many."""
    query = "SELECT id, start_wall, last_seen_wall, end_wall FROM visits WHERE seq >= ? AND NOT clock_set"
    found = db.execute(query, (since_seq,)).fetchall()
    for row in found:
        times = [wall and wall_text(datetime.fromisoformat(wall) + offset) for wall in tuple(row)[1:]]
        db.execute(
            "UPDATE visits SET start_wall = ?, last_seen_wall = ?, end_wall = ?, clock_set = 1 WHERE id = ?",
            (*times, row["id"]),
        )
    return len(found)


def _change(
    db: sqlite3.Connection,
    sets: str,
    answer: str,
    states: Sequence[str],
    alerts: Sequence[str],
    sink: str | None,
) -> int:
    marks = ", ".join("?" * len(states))
    # The pieces are constants of this module, never input.
    statement = (
        f"UPDATE deliveries SET {sets}, answer = ? WHERE alert = ? AND state IN ({marks})"  # noqa: S608
        " AND (? IS NULL OR sink = ?)"
    )
    return sum(db.execute(statement, (answer, alert, *states, sink, sink)).rowcount for alert in alerts)
