"""`dooryard why`: the reason of a visit's alert or silence, from the store. It only reads."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TextIO

from dooryard.errors import EXIT_OK, ConfigError, StoreError
from dooryard.outbox import rows
from dooryard.outbox.folder import DATABASE
from dooryard.outbox.rows import StoredVisit
from dooryard.policy.words import duration, percent, sentence, spoken
from dooryard.records import Decision

LAST = "last"
_SHORTEST = 4  # letters of an id that are enough, if only one visit's begins with them
_FIND = "SELECT * FROM visits WHERE substr(id, 1, ?) = ? ORDER BY seq LIMIT 6"
_NEWEST = "SELECT * FROM visits ORDER BY seq DESC LIMIT 1"


def why(folder: Path, visit: str, out: TextIO) -> int:
    """Print what was decided on a visit, each clause that was tried, and what became of its alerts.

    `visit` is an id, the beginning of one, or "last". Works while the daemon writes. Raises StoreError
    where there is no store, ConfigError where there is no such visit.
    """
    with _reading(folder) as db:
        found = _found(db, visit)
        decided = db.execute("SELECT * FROM decisions WHERE visit = ?", (found.id,)).fetchone()
        sent = db.execute(
            "SELECT d.sink, d.state, d.attempts, d.answer FROM deliveries d JOIN alerts a ON a.id = d.alert"
            " WHERE a.visit = ? ORDER BY d.sink",
            (found.id,),
        ).fetchall()
    decision = rows.decision_of(decided) if decided else None
    print("\n".join(_lines(found, decision, [tuple(row) for row in sent])), file=out)
    return EXIT_OK


def _lines(
    visit: StoredVisit, decision: Decision | None, sent: list[tuple[str, str, int, str]]
) -> Iterator[str]:
    yield f"Visit {visit.id}"
    when = visit.start.isoformat(sep=" ", timespec="seconds") if visit.clock_set else "clock not set"
    yield (
        f"{sentence(spoken(visit.visitor))}, {percent(visit.visitor.sure)} sure, {when}, "
        f"stayed {duration(visit.stay_s)}"
    )
    if decision is None:
        yield "No decision on it is stored."
        return
    yield sentence(decision.reason)
    yield from (f"  {'met    ' if c.passed else 'not met'}  {c.name}: {c.text}" for c in decision.clauses)
    for sink, state, attempts, answer in sent:
        tries = f"{attempts} {'try' if attempts == 1 else 'tries'}"
        yield f"  {sink}: {state}, {tries}" + (f", {answer}" if answer else "")


def _found(db: sqlite3.Connection, visit: str) -> StoredVisit:
    if visit == LAST:
        matches = db.execute(_NEWEST).fetchall()
    else:
        matches = db.execute(_FIND, (len(visit), visit)).fetchall() if len(visit) >= _SHORTEST else []
    if len(matches) == 1:
        return rows.visit_of(matches[0])
    if not matches:
        raise ConfigError(
            f"there is no visit {visit!r}",
            f'give an id from the log or the journal, its first {_SHORTEST} letters or more, or "{LAST}"',
        )
    several = ", ".join(row["id"] for row in matches[:5])
    raise ConfigError(f"{visit!r} begins several visits: {several}", "give more of the id")


@contextmanager
def _reading(folder: Path) -> Iterator[sqlite3.Connection]:
    path = folder / DATABASE
    remedy = "name the state folder of a box that has run (state_folder in its box file)"
    if not path.is_file():
        raise StoreError(f"there is no store in {folder}", remedy)
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=10.0)) as db:
            db.row_factory = sqlite3.Row
            yield db
    except sqlite3.Error as error:
        raise StoreError(f"the store in {folder} cannot be read: {error}", remedy) from error
