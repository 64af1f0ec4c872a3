"""Which visit a person means: an id, the beginning or the end of one, or "last". Edge: asks the store."""

from __future__ import annotations

import sqlite3
from datetime import UTC
from zoneinfo import ZoneInfo

from dooryard.core.errors import ConfigError
from dooryard.core.wording import spoken
from dooryard.outbox import rows
from dooryard.outbox.rows import StoredVisit

LAST = "last"
SHORTEST = 4  # letters of an id that are enough, if only one visit's begin or end with them
_LISTED = 5  # candidates named where several fit
_LIKE = (
    "SELECT * FROM visits WHERE substr(id, 1, :size) = :text OR substr(id, -:size) = :text"
    " ORDER BY seq DESC LIMIT :most"
)
_NEWEST = "SELECT * FROM visits ORDER BY seq DESC LIMIT 1"


def find(db: sqlite3.Connection, visit: str, zone: ZoneInfo | None = None) -> StoredVisit:
    """The one visit that `visit` means; `db` gives rows by name. Times in errors are in `zone`, or in UTC.

    Raises ConfigError where there is none, or more than one.
    """
    text = visit.strip().lower()
    if text == LAST:
        found = db.execute(_NEWEST).fetchall()
    elif len(text) >= SHORTEST:
        found = db.execute(_LIKE, {"size": len(text), "text": text, "most": _LISTED + 1}).fetchall()
    else:
        found = []
    visits = [rows.visit_of(row) for row in found]
    if len(visits) == 1:
        return visits[0]
    if not visits:
        raise ConfigError(
            f"there is no visit {visit!r}",
            f"give an id from the log, an alert or the journal, its first or last {SHORTEST} letters or more,"
            f' or "{LAST}"',
        )
    candidates = "".join(f"\n  {_described(each, zone)}" for each in visits[:_LISTED])
    more = "\n  and more" if len(visits) > _LISTED else ""
    raise ConfigError(f"{visit!r} fits several visits:{candidates}{more}", "give more of the id")


def when(visit: StoredVisit, zone: ZoneInfo | None) -> str:
    """Its arrival with the zone's name: "2026-06-14 14:03:00 BST"; in UTC where no zone is given."""
    if not visit.clock_set:
        return "clock not set"
    return f"{visit.start.astimezone(zone or UTC):%Y-%m-%d %H:%M:%S %Z}"


def _described(visit: StoredVisit, zone: ZoneInfo | None) -> str:
    return f"{visit.id}: {when(visit, zone)}, {spoken(visit.visitor)}"
