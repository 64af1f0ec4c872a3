"""`dooryard why absences`: how each stands, and what was told of them lately. It only reads."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from dooryard.core.errors import StoreError
from dooryard.core.wording import duration
from dooryard.policy import absence_saved
from dooryard.policy.absence import AbsenceState
from dooryard.service.saving import ABSENCES

_NEWEST = 20
_TOLD = """SELECT a.wall, a.text, d.sink, d.state FROM alerts a JOIN deliveries d ON d.alert = a.id
    WHERE a.kind = 'absence' ORDER BY a.seq DESC, d.sink LIMIT ?"""


def absences_lines(db: sqlite3.Connection, zone: ZoneInfo | None) -> list[str]:
    """A line for each absence as it was saved last, then the newest messages, oldest first."""
    row = db.execute("SELECT data FROM states WHERE name = ?", (ABSENCES,)).fetchone()
    if row is None:
        lines = ["No absence is waited for: the policy has none, or the box has not begun with it."]
    else:
        lines = _standing(bytes(row[0]).decode("utf-8", "replace"), zone)
    told = db.execute(_TOLD, (_NEWEST,)).fetchall()
    for wall, text, sink, state in reversed(told):
        lines.append(f"  {_time(datetime.fromisoformat(wall), zone)}  {sink}: {state}: {text}")
    return lines if told else [*lines, "No absence was reported lately."]


def _standing(saved: str, zone: ZoneInfo | None) -> list[str]:
    try:
        waits = absence_saved.from_json(saved).waits
    except StoreError as error:
        return [f"{error.what}: the service starts over with them."]
    return [f"{name}: {_stands(wait, zone)}" for name, wait in waits.items()]


def _stands(wait: AbsenceState, zone: ZoneInfo | None) -> str:
    told = "told, and not over" if wait.told else "waiting"
    watched = f"watched for {duration(wait.watched_s)} since"
    if wait.since_wall is None:
        return f"{told}; {watched} it was asked for"
    what = "one came" if wait.came else "it was asked for,"
    return f"{told}; {watched} {what} {_time(wait.since_wall, zone)}"


def _time(wall: datetime, zone: ZoneInfo | None) -> str:
    return f"{wall.astimezone(zone or UTC):%Y-%m-%d %H:%M:%S %Z}"
