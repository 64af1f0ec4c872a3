"""`dooryard why`: the reason of a visit's alert or silence, from the store. It only reads."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

from dooryard.cli.explain_absences import absences_lines
from dooryard.core.errors import EXIT_OK
from dooryard.core.records import Decision, Visitor
from dooryard.core.wording import duration, how_sure, sentence, spoken
from dooryard.history.lookup import find, when
from dooryard.outbox import rows
from dooryard.outbox.opening import opened
from dooryard.outbox.problems import store_error
from dooryard.outbox.rows import StoredVisit
from dooryard.service.saving import ABSENCES


def why(folder: Path, visit: str, out: TextIO, zone: ZoneInfo | None = None) -> int:
    """Print what was decided on a visit, each clause that was tried, and what became of its alerts.

    `visit` is an id, the beginning or end of one, or "last"; "absences" stands for those. Times are in
    `zone`, the place's by its policy, or in UTC. Works while the daemon writes. Raises StoreError where there
    is no store, ConfigError where there is no such visit or more than one.
    """
    if visit == ABSENCES:
        with _reading(folder) as db:
            print("\n".join(absences_lines(db, zone)), file=out)
        return EXIT_OK
    with _reading(folder) as db:
        found = find(db, visit, zone)
        decided = db.execute("SELECT * FROM decisions WHERE visit = ?", (found.id,)).fetchone()
        sent = db.execute(
            "SELECT d.*, a.title FROM deliveries d JOIN alerts a ON a.id = d.alert"
            " WHERE a.visit = ? ORDER BY a.seq, d.sink",
            (found.id,),
        ).fetchall()
        told = db.execute("SELECT * FROM alerts WHERE visit = ? ORDER BY seq LIMIT 1", (found.id,)).fetchone()
    decision = rows.decision_of(decided) if decided else None
    before = rows.alert_of(told).visitor if told else None
    lines = _lines(found, decision, before, [_sent(row) for row in sent], zone)
    print("\n".join(lines), file=out)
    return EXIT_OK


def _sent(row: sqlite3.Row) -> tuple[str, str, int, str, str, str]:
    """A delivery: sink, state, tries, answer, alert, title. An older store knows of no other sink's place."""
    instead_of = row["instead_of"] if "instead_of" in row.keys() else ""  # noqa: SIM118  (a row's, not a dict's)
    sink = f"{row['sink']} (instead of {instead_of})" if instead_of else row["sink"]
    return sink, *(row[key] for key in ("state", "attempts", "answer", "alert", "title"))


def _lines(
    visit: StoredVisit,
    decision: Decision | None,
    before: Visitor | None,
    sent: list[tuple[str, str, int, str, str, str]],
    zone: ZoneInfo | None,
) -> Iterator[str]:
    yield f"Visit {visit.id}"
    at_end = "at the end" if visit.end else "so far"
    yield (
        f"{sentence(spoken(visit.visitor))}, {how_sure(visit.visitor, at_end)}, "
        f"{when(visit, zone)}, stayed {duration(visit.stay_s)}"
    )
    if decision is None:
        yield "No decision on it is stored."
        return
    yield sentence(decision.reason)
    told = f" {spoken(before)}, {how_sure(before)}" if before else ""
    yield f"At the time of the decision:{told}"
    yield from (f"  {'met    ' if c.passed else 'not met'}  {c.name}: {c.text}" for c in decision.clauses)
    first = sent[0][4] if sent else None
    for sink, state, attempts, answer, alert, title in sent:
        if alert != first:
            yield f"One more message: {title}"
            first = alert
        tries = f"{attempts} {'try' if attempts == 1 else 'tries'}"
        yield f"  {sink}: {state}, {tries}" + (f", {answer}" if answer else "")


@contextmanager
def _reading(folder: Path) -> Iterator[sqlite3.Connection]:
    try:
        with closing(opened(folder, "reading the store")) as db:
            yield db
    except sqlite3.Error as error:
        raise store_error(error, "reading the store", folder) from error
