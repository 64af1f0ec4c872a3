"""Records to rows and back."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from dooryard.core.records import Alert, Box, Clause, Decision, Outcome, Visit, Visitor
from dooryard.outbox.schedule import Delivery, DeliveryState


@dataclass(frozen=True, slots=True)
class StoredVisit:
    """A visit as it is on disk. Times are aware and in UTC; `end` is None if it was never closed."""

    id: str
    start: datetime
    last_seen: datetime
    end: datetime | None
    stay_s: float
    clock_set: bool
    visitor: Visitor
    sightings: int
    box: Box
    picture: str | None  # path relative to the picture folder
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class StoredPicture:
    """A picture file. `path` is relative to the picture folder."""

    path: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class UnfinishedDelivery:
    """A delivery that is not finished, as it is on disk."""

    alert: str
    sink: str
    seq: int
    attempts: int
    maybe: int
    wait_s: float
    age_s: float
    answer: str
    kind: str
    urgent: bool
    wall: datetime | None  # the alert's time; None: the clock was not set
    taken: frozenset[str] = frozenset()
    refused: frozenset[str] = frozenset()
    trying_s: float = 0.0
    instead_of: str = ""  # the sink in whose place it is to this one; "": in nobody's
    passed_on: bool = False  # another sink is given it in the place of this one


def wall_text(wall: datetime) -> str:
    """ISO 8601 in UTC with microseconds: sorts as text. Raises ValueError for a naive time."""
    if wall.tzinfo is None:
        raise ValueError("a wall time without a time zone is not stored")
    return wall.astimezone(UTC).isoformat(timespec="microseconds")


def insert_picture(db: sqlite3.Connection, picture: StoredPicture, wall: datetime) -> None:
    db.execute(
        "INSERT INTO pictures (path, bytes, sha256, wall) VALUES (?, ?, ?, ?)",
        (picture.path, picture.size_bytes, picture.sha256, wall_text(wall)),
    )


def insert_visit(
    db: sqlite3.Connection, visit: Visit, decision: Decision, picture: str | None, *, clock_set: bool
) -> None:
    values = _changing(visit) | {
        "id": visit.id,
        "start_wall": wall_text(visit.start.wall),
        "clock_set": int(clock_set),
        "picture": picture,
        "outcome": decision.outcome.value,
    }
    _insert(db, "visits", values)


def change_visit(db: sqlite3.Connection, visit: Visit, picture: str | None) -> None:
    """Write what a visit's end may have changed. `picture` None leaves the picture as it is."""
    values = _changing(visit)
    if picture is not None:
        values["picture"] = picture
    sets = ", ".join(f"{name} = :{name}" for name in values)
    # The names are this module's own, never input.
    db.execute(f"UPDATE visits SET {sets} WHERE id = :id", values | {"id": visit.id})  # noqa: S608


def put_decision(db: sqlite3.Connection, decision: Decision) -> None:
    """Store or replace the decision on a visit, and the visit's outcome with it."""
    clauses = [{"name": c.name, "passed": c.passed, "text": c.text} for c in decision.clauses]
    db.execute(
        "INSERT OR REPLACE INTO decisions (visit, outcome, rule, sinks, clauses, reason)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (
            decision.visit,
            decision.outcome.value,
            decision.rule,
            json.dumps(decision.sinks),
            json.dumps(clauses, ensure_ascii=False),
            decision.reason,
        ),
    )
    db.execute("UPDATE visits SET outcome = ? WHERE id = ?", (decision.outcome.value, decision.visit))


def insert_alert(db: sqlite3.Connection, alert: Alert, picture: str | None) -> None:
    """Store an alert and one waiting delivery for each of its sinks."""
    values = {
        "id": alert.id,
        "kind": alert.kind,
        "wall": wall_text(alert.wall),
        "clock_set": int(alert.clock_set),
        "title": alert.title,
        "text": alert.text,
        "sinks": json.dumps(alert.sinks),
        "visit": alert.visit,
        "visitor": _visitor_text(alert.visitor),
        "picture": picture,
        "urgent": int(alert.urgent),
    }
    _insert(db, "alerts", values)
    for sink in dict.fromkeys(alert.sinks):
        _insert(db, "deliveries", {"alert": alert.id, "sink": sink, "state": DeliveryState.WAITING.value})


def update_delivery(db: sqlite3.Connection, delivery: Delivery, now_s: float) -> None:
    """Write down where it stands, unless it was ended meanwhile."""
    db.execute(
        "UPDATE deliveries SET state = ?, attempts = ?, maybe = ?, wait_s = ?, age_s = ?, answer = ?,"
        " taken = ?, refused = ?, trying_s = ?"
        " WHERE alert = ? AND sink = ? AND state = ?",
        (
            delivery.state.value,
            delivery.attempts,
            delivery.maybe,
            max(0.0, delivery.due_s - now_s),
            max(0.0, now_s - delivery.since_s),
            delivery.answer,
            names_text(delivery.taken),
            names_text(delivery.refused),
            0.0 if delivery.tried_s is None else max(0.0, now_s - delivery.tried_s),
            delivery.alert,
            delivery.sink,
            DeliveryState.WAITING.value,
        ),
    )


def visit_of(row: sqlite3.Row) -> StoredVisit:
    return StoredVisit(
        id=row["id"],
        start=datetime.fromisoformat(row["start_wall"]),
        last_seen=datetime.fromisoformat(row["last_seen_wall"]),
        end=datetime.fromisoformat(row["end_wall"]) if row["end_wall"] else None,
        stay_s=row["stay_s"],
        clock_set=bool(row["clock_set"]),
        visitor=Visitor(row["group_name"], row["sure"], row["species"], row["scientific"]),
        sightings=row["sightings"],
        box=Box(row["x0"], row["y0"], row["x1"], row["y1"]),
        picture=row["picture"],
        outcome=Outcome(row["outcome"]),
    )


def decision_of(row: sqlite3.Row) -> Decision:
    return Decision(
        visit=row["visit"],
        outcome=Outcome(row["outcome"]),
        sinks=tuple(json.loads(row["sinks"])),
        rule=row["rule"],
        clauses=tuple(Clause(c["name"], c["passed"], c["text"]) for c in json.loads(row["clauses"])),
        reason=row["reason"],
    )


def alert_of(row: sqlite3.Row) -> Alert:
    visitor = json.loads(row["visitor"]) if row["visitor"] else None
    return Alert(
        id=row["id"],
        kind=row["kind"],
        wall=datetime.fromisoformat(row["wall"]),
        clock_set=bool(row["clock_set"]),
        title=row["title"],
        text=row["text"],
        sinks=tuple(json.loads(row["sinks"])),
        visit=row["visit"],
        visitor=Visitor(**visitor) if visitor else None,
        picture=row["picture"],
        urgent=bool(row["urgent"]),
    )


def waiting_of(row: sqlite3.Row) -> UnfinishedDelivery:
    fields = dict(row)
    clock_set, wall = fields.pop("clock_set"), fields.pop("wall")
    fields["urgent"], fields["passed_on"] = bool(fields["urgent"]), bool(fields["passed_on"])
    fields["taken"], fields["refused"] = _names(fields["taken"]), _names(fields["refused"])
    return UnfinishedDelivery(**fields, wall=_time_or_none(wall) if clock_set else None)


def names_text(names: frozenset[str]) -> str:
    """Recipients as they are stored."""
    return json.dumps(sorted(names))


def _names(text: str) -> frozenset[str]:
    """Stored recipients; none where they can't be read: they are asked again, under the same alert id."""
    try:
        found = json.loads(text)
    except ValueError:
        return frozenset()
    return frozenset(map(str, found)) if isinstance(found, list) else frozenset()


def _time_or_none(wall: str) -> datetime | None:
    """The time in a column that is not needed: a bad one must not hide the row."""
    try:
        return datetime.fromisoformat(wall)
    except ValueError:
        return None


def _changing(visit: Visit) -> dict[str, Any]:
    """The columns that a visit may change while it lasts."""
    return {
        "last_seen_wall": wall_text(visit.last_seen.wall),
        "end_wall": wall_text(visit.end.wall) if visit.end else None,
        "stay_s": visit.stay_s,
        "group_name": visit.visitor.group,
        "species": visit.visitor.species,
        "scientific": visit.visitor.scientific,
        "sure": float(visit.visitor.sure),
        "sightings": visit.sightings,
        **{name: float(edge) for name, edge in zip(("x0", "y0", "x1", "y1"), visit.box, strict=True)},
    }


def _visitor_text(visitor: Visitor | None) -> str | None:
    if visitor is None:
        return None
    fields = {"group": visitor.group, "sure": float(visitor.sure)}
    return json.dumps(fields | {"species": visitor.species, "scientific": visitor.scientific})


def _insert(db: sqlite3.Connection, table: str, values: Mapping[str, Any]) -> None:
    names = ", ".join(values)
    marks = ", ".join(f":{name}" for name in values)
    # Table and column names are this module's own, never input.
    db.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", values)  # noqa: S608


def picture_of(db: sqlite3.Connection, visit_id: str | None) -> str | None:
    """Path of a visit's picture."""
    row = db.execute("SELECT picture FROM visits WHERE id = ?", (visit_id,)).fetchone()
    return row["picture"] if row else None
