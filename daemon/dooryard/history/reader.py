"""The store, read only: visits one after the other, as entries. The daemon may go on writing meanwhile."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from dooryard.core.errors import StoreError
from dooryard.core.records import Clause, Visitor
from dooryard.history import lookup
from dooryard.history.entries import NOTHING_SAID, Entry, Said
from dooryard.outbox import rows
from dooryard.outbox.opening import opened
from dooryard.outbox.opening import state as state_in
from dooryard.outbox.own import PICTURES

_CHUNK = 500
_SCAN = "SELECT v.* FROM visits v ORDER BY v.start_wall, v.seq"
_FULL = (
    "SELECT v.*, d.rule, d.sinks, d.clauses, (SELECT a.visitor FROM alerts a WHERE a.visit = v.id"
    " ORDER BY a.seq LIMIT 1) AS told_as FROM visits v LEFT JOIN decisions d ON d.visit = v.id "
)
_BETWEEN = _FULL + "WHERE v.clock_set AND v.start_wall >= ? AND v.start_wall < ? ORDER BY v.start_wall, v.seq"
_UNDATED = _FULL + "WHERE NOT v.clock_set ORDER BY v.seq"
_SCIENTIFIC = "SELECT DISTINCT species, scientific FROM visits WHERE species NOTNULL AND scientific NOTNULL"
_ONE = _FULL + "WHERE v.id = ?"
_NEWEST = "SELECT MAX(start_wall) AS wall FROM visits WHERE clock_set"
_LAST_SEEN = "SELECT MAX(last_seen_wall) AS wall FROM visits WHERE clock_set"


class Reader:
    """Reads one state folder. `said` is what people said, `unreadable` are pictures to pass over."""

    def __init__(
        self, folder: Path, said: Mapping[str, Said], unreadable: frozenset[str] = frozenset()
    ) -> None:
        self.pictures = folder / PICTURES
        self._said = said
        self._unreadable = unreadable
        self._folder = folder
        self._db = opened(folder, "reading the store")

    def close(self) -> None:
        self._db.close()

    def passing_over(self, unreadable: frozenset[str]) -> None:
        """From now on take these pictures as not there."""
        self._unreadable = unreadable

    def scan(self) -> Iterator[Entry]:
        """All visits, oldest first, without their decisions; in bounded memory."""
        yield from self._entries(_SCAN, (), self._light)

    def between(self, start: datetime, end: datetime) -> Iterator[Entry]:
        """Visits that began from `start` to before `end` with the clock set, with their decisions."""
        yield from self._entries(_BETWEEN, (rows.wall_text(start), rows.wall_text(end)), self._full)

    def undated(self) -> Iterator[Entry]:
        """Visits that came while the clock was not set, in the order of storing."""
        yield from self._entries(_UNDATED, (), self._full)

    def entry(self, visit: str) -> Entry | None:
        """One visit; `visit` is its whole id."""
        found = list(self._entries(_ONE, (visit,), self._full))
        return found[0] if found else None

    def find(self, visit: str, zone: ZoneInfo | None = None) -> Entry:
        """The one visit that `visit` means; see `lookup.find`, also for what it raises."""
        with _error_scope(self._folder):
            found = self.entry(lookup.find(self._db, visit, zone).id)
        assert found is not None  # it was there a moment ago, and only upkeep takes visits away
        return found

    def watched_until(self, now: datetime) -> datetime:
        """The last moment, `now` at the latest, at which the box is known to have watched.

        That is its last frame as it noted it (it does so every few minutes and at its end), or a visitor seen
        after that. `now` where the store has no such note.
        """
        with _error_scope(self._folder):
            last_frame = state_in(self._db, "last_frame")
            if last_frame is None:
                return now
            seen = self._db.execute(_LAST_SEEN).fetchone()["wall"]
            moments = [last_frame.decode(), *([seen] if seen else [])]
            return min(now, max(datetime.fromisoformat(text) for text in moments))

    def newest(self) -> datetime | None:
        """When the newest visit began; None without one whose time is known."""
        with _error_scope(self._folder):
            found = self._db.execute(_NEWEST).fetchone()["wall"]
        return datetime.fromisoformat(found) if found else None

    def scientific_names(self) -> dict[str, str]:
        """Scientific names by common name, of all that the box has told."""
        with _error_scope(self._folder):
            return {row["species"]: row["scientific"] for row in self._db.execute(_SCIENTIFIC)}

    def _entries(
        self, query: str, values: tuple[str, ...], make: Callable[[sqlite3.Row], Entry]
    ) -> Iterator[Entry]:
        with _error_scope(self._folder):
            cursor = self._db.execute(query, values)
            while chunk := cursor.fetchmany(_CHUNK):
                yield from [make(row) for row in chunk]

    def _light(self, row: sqlite3.Row) -> Entry:
        visit = rows.visit_of(row)
        return Entry(
            id=visit.id,
            start=visit.start,
            last_seen=visit.last_seen,
            ended=visit.end is not None,
            stay_s=visit.stay_s,
            clock_set=visit.clock_set,
            told=visit.visitor,
            sightings=visit.sightings,
            box=visit.box,
            picture=self._picture(visit.picture),
            outcome=visit.outcome,
            said=self._said.get(visit.id, NOTHING_SAID),
        )

    def _full(self, row: sqlite3.Row) -> Entry:
        light = self._light(row)
        clauses = json.loads(row["clauses"] or "[]")
        return Entry(
            **{name: getattr(light, name) for name in _LIGHT},
            sinks=tuple(json.loads(row["sinks"] or "[]")),
            rule=row["rule"],
            clauses=tuple(Clause(c["name"], c["passed"], c["text"]) for c in clauses),
            told_as=Visitor(**json.loads(row["told_as"])) if row["told_as"] else None,
        )

    def _picture(self, path: str | None) -> str | None:
        """`path` if it can be shown: keeping takes pictures away, and a file may have gone missing."""
        if path is None or path in self._unreadable or not (self.pictures / path).is_file():
            return None
        return path


_LIGHT = tuple(name for name in Entry.__slots__ if name not in ("sinks", "rule", "clauses", "told_as"))


@contextmanager
def _error_scope(folder: Path) -> Iterator[None]:
    """Turn what goes wrong in the store into a `StoreError`."""
    try:
        yield
    except (sqlite3.Error, OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"the store in {folder} cannot be read: {error}",
            "see that this user may read the state folder; start the daemon once, it repairs what it can",
        ) from error
