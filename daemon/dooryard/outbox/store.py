"""What is stored before it is told: visits, decisions, alerts, deliveries and states.

One SQLite file and a folder of pictures. A picture file is written once, whole, and never changed:
``pictures/2026/06/14/<visit id>.jpg`` is the picture a visit was told with, ``<visit id>-2.jpg`` a better
one that came later. So an alert keeps the picture it was told with, by its path, and a row never
describes bytes other than those on disk. A file goes when neither a visit nor an alert refers to it.

Every write is a picture first (if there is one), then one transaction. Killed in between, the picture is
a file without a row, and the next `open` removes it.

All methods may be called from any thread; they take turns. They raise `StoreError` with a remedy when the
disk or the database fails; then nothing is half written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import Clock
from dooryard.core.errors import StoreError
from dooryard.core.records import Alert, Decision, Visit
from dooryard.outbox import engine as engines
from dooryard.outbox import picture_files, queue, rows
from dooryard.outbox import upkeep as upkeeps
from dooryard.outbox.schedule import Delivery, DeliveryState
from dooryard.outbox.states import States

# In `Alert.picture`: this alert wants its visit's picture. When it is stored, the path takes its place.
VISIT_PICTURE = "visit"


class Store:
    """The state folder, held by this process. Build it with `Store.open`."""

    def __init__(
        self, engine: engines.Engine, clock: Clock, notes: list[str], damages: list[str], boot: str
    ) -> None:
        self.folder = engine.folder
        self.notes = notes  # what `open` found and mended, one sentence each
        self.damages = damages  # what a failing card did and what became of it, for the owner: see `news`
        self._engine = engine
        self._clock = clock
        self._states = States(engine, clock, damages)
        self._first_of_boot = self._first_visit_of(boot)

    @classmethod
    def open(cls, folder: Path, clock: Clock, *, disk: FileCalls | None = None, boot: str = "") -> Store:
        """Take hold of `folder` (made if missing) and put it in order; see `notes` for what was mended.

        `boot` names the time since the machine was switched on, for `mend_times`; "": each open is one.

        Raises `AlreadyRunningError` when another process holds it, `StoreError` when it cannot be used.
        """
        engine, notes, damages = engines.start(folder, clock.now().wall, disk or FileCalls())
        try:
            return cls(engine, clock, notes, damages, boot)
        except BaseException:
            engine.close()
            raise

    def look_after_file(self) -> None:
        """Notice that the database was deleted while it is open, and write it again; see `news`."""
        said = self._engine.look_after_file(self._clock.now().wall)
        if said is not None:
            self.damages.append(said)

    def news(self) -> list[str]:
        """What was found damaged since the last time that this was asked."""
        found, self.damages[:] = self.damages[:], []
        return found

    def close(self) -> None:
        """Close the database and let go of the folder. May be called twice."""
        self._engine.close()

    # --- visits and alerts ---

    def record_visit(
        self,
        visit: Visit,
        jpeg: bytes | None,
        decision: Decision,
        alerts: Sequence[Alert],
        *,
        clock_set: bool = True,
    ) -> bool:
        """Store a visit, the decision on it, its alerts, and one delivery per alert and sink: all or none.

        An alert whose `picture` is `VISIT_PICTURE` gets the visit's. Returns False, and stores nothing, when
        the visit is stored already. With the disk nearly full a picture is refused (`StoreError`); the same
        call with `jpeg` None may still succeed.
        """
        if self.visit(visit.id) is not None:
            return False
        target = picture_files.picture_path(visit.id, visit.start.wall, 1)
        writing = self._engine.writing_with_picture("storing a visit", target, jpeg, visit.start.wall)
        with writing as (db, path):
            rows.insert_visit(db, visit, decision, path, clock_set=clock_set)
            rows.put_decision(db, decision)
            for alert in alerts:
                rows.insert_alert(db, alert, path if alert.picture == VISIT_PICTURE else alert.picture)
        return True

    def update_visit(
        self,
        visit: Visit,
        jpeg: bytes | None,
        *,
        decision: Decision | None = None,
        alerts: Sequence[Alert] = (),
    ) -> bool:
        """Store what a visit's end changed: its end, its visitor, a better picture; maybe a new decision.

        A better picture gets a file of its own; alerts told before keep theirs. Returns False, and stores
        nothing, when the visit was never stored.
        """
        stored = self.visit(visit.id)
        if stored is None:
            return False
        target = picture_files.picture_path(visit.id, stored.start, picture_files.next_number(stored.picture))
        writing = self._engine.writing_with_picture("storing a visit's end", target, jpeg, stored.start)
        with writing as (db, better):
            path = better or stored.picture
            rows.change_visit(db, visit, better)
            if decision:
                rows.put_decision(db, decision)
            for alert in alerts:
                rows.insert_alert(db, alert, path if alert.picture == VISIT_PICTURE else alert.picture)
            unused = upkeeps.drop_unused_pictures(db)
        self._engine.remove_pictures(unused)
        return True

    def add_alert(self, alert: Alert, *, replacing: bool = False) -> None:
        """Store an alert that came with no new visit (a summary, a message about the box).

        With `replacing`, alerts of the same kind that still wait for the same sinks are not told any more:
        only the newest counts.

        `alert.picture` is the path of a stored picture, `VISIT_PICTURE` for that of the stored visit which
        the alert is about, or None.
        """
        with self._engine.writing("storing an alert") as db:
            if replacing:
                queue.supersede(db, alert.kind, alert.sinks)
            wanted = alert.picture == VISIT_PICTURE
            rows.insert_alert(db, alert, rows.picture_of(db, alert.visit) if wanted else alert.picture)

    def mend_times(self, offset_s: float) -> int:
        """Shift the times of visits stored since the machine was switched on with its clock not set.

        Call it once the clock is set, with the seconds that it was set forward by. Returns how many visits
        were mended. Their pictures keep their paths and what is written on them.
        """
        with self._engine.writing("mending times") as db:
            return queue.mend_times(db, self._first_of_boot, timedelta(seconds=offset_s))

    def visit(self, visit_id: str) -> rows.StoredVisit | None:
        found = self._engine.select(rows.visit_of, "SELECT * FROM visits WHERE id = ?", visit_id)
        return found[0] if found else None

    def visits_between(self, start: datetime, end: datetime) -> list[rows.StoredVisit]:
        """Visits that began at or after `start` and before `end`, in order of beginning."""
        return self._engine.select(
            rows.visit_of,
            "SELECT * FROM visits WHERE start_wall >= ? AND start_wall < ? ORDER BY start_wall, seq",
            rows.wall_text(start),
            rows.wall_text(end),
        )

    def visits_stored_between(self, above: int, newest: int) -> list[rows.StoredVisit]:
        """Visits with a storing number above `above` and up to `newest`, in order of beginning."""
        query = "SELECT * FROM visits WHERE seq > ? AND seq <= ? ORDER BY start_wall, seq"
        return self._engine.select(rows.visit_of, query, above, newest)

    def newest_visit(self) -> int:
        """The storing number of the newest visit, whether it is still kept or not; 0 when there was none."""
        found = self._engine.select(tuple, "SELECT seq FROM sqlite_sequence WHERE name = 'visits'")
        return int(found[0][0]) if found else 0

    def decision_of(self, visit_id: str) -> Decision | None:
        found = self._engine.select(rows.decision_of, "SELECT * FROM decisions WHERE visit = ?", visit_id)
        return found[0] if found else None

    def alert(self, alert_id: str) -> Alert | None:
        found = self._engine.select(rows.alert_of, "SELECT * FROM alerts WHERE id = ?", alert_id)
        return found[0] if found else None

    def read_picture(self, path: str) -> bytes | None:
        """The bytes of a stored picture, or None if it is not there (any more)."""
        return self._engine.pictures.read(path)

    # --- states ---

    def save_state(self, name: str, data: bytes) -> None:
        """Keep `data` under `name`, in place of what was there."""
        self.save_states({name: data})

    def save_states(self, states: Mapping[str, bytes]) -> None:
        """Keep several states, all or none of them; those that say what is on disk already are left alone."""
        self._states.save(states)

    def load_state(self, name: str) -> bytes | None:
        """What was kept under `name`. None: there is nothing, or it was damaged (see `damages`)."""
        return self._states.load(name)

    # --- deliveries ---

    def pending(self, sink: str, limit: int = 500) -> list[rows.UnfinishedDelivery]:
        """Unfinished deliveries to `sink`, the newest `limit` of them, newest first."""
        return self._engine.select(
            rows.waiting_of, queue.WAITING_TO, sink, DeliveryState.WAITING.value, limit
        )

    def newest_alert(self) -> int:
        """The storing number of the newest alert; 0 when there is none."""
        return int(self._engine.select(tuple, "SELECT COALESCE(MAX(seq), 0) FROM alerts")[0][0])

    def mark(self, delivery: Delivery, now_s: float, *, notice: Alert | None = None, to: str = "") -> None:
        """Write down where a delivery stands at `now_s` (monotonic), and what follows; see `queue.mark`."""
        with self._engine.writing("storing a delivery") as db:
            queue.mark(db, delivery, now_s, notice, to)

    def pass_on(self, alerts: Sequence[str], sink: str, to: str) -> int:
        """Have the sink `to` given `alerts` too, as `sink` could not be; return how many it had not yet."""
        with self._engine.writing("storing a delivery") as db:
            return queue.pass_on(db, alerts, sink, to)

    def digest(self, late: Sequence[Delivery], into: Alert, jpeg: bytes | None) -> None:
        """End the waiting deliveries of `late`, which are of one sink and still to go to the same recipients;
        store `into`, with its picture, in their place.
        """
        target = picture_files.picture_path(into.id, into.wall, 1)
        writing = self._engine.writing_with_picture("storing late alerts as one", target, jpeg, into.wall)
        with writing as (db, path):
            rows.insert_alert(db, into, path)
            queue.note_recipients(
                db, into.id, rows.names_text(late[0].taken), rows.names_text(late[0].refused)
            )
            queue.end_digested(db, [delivery.alert for delivery in late], late[0].sink, into.id)

    def counts(self) -> dict[str, dict[str, int]]:
        """Sink -> state -> how many deliveries."""
        with self._engine.error_scope("reading the store") as db:
            return queue.counts(db)

    def end_deliveries_to_others(self, sinks: Sequence[str]) -> dict[str, int]:
        """End what waits for sinks that are not in `sinks`: nobody would ever try. Sink -> how many."""
        waiting = {sink for sink, states in self.counts().items() if DeliveryState.WAITING.value in states}
        if waiting <= set(sinks):
            return {}  # the usual case, without a write
        with self._engine.writing("ending deliveries") as db:
            return queue.end_those_to_others(db, sinks)

    # --- bounds ---

    def upkeep(
        self,
        keep_days: float,
        keep_bytes: int,
        now: datetime,
        kept: frozenset[str] = frozenset(),
        *,
        favourites_count: bool = False,
        short_bytes: int = 0,
    ) -> upkeeps.Removed:
        """Bring the folder within its bounds and return what went; see `upkeep` for what goes first.

        `kept` are ids of visits that were marked to keep; the rest as in `policy.keeping.given_up`.
        """
        with self._engine.writing("upkeep") as db:
            visits, alerts = upkeeps.remove_old(db, keep_days, now, kept=kept)
            unused = upkeeps.drop_unused_pictures(db)
            untold = upkeeps.give_up_pictures(
                db, keep_bytes, kept, favourites_count=favourites_count, short_bytes=short_bytes
            )
            unused += upkeeps.drop_unused_pictures(db)
        self._engine.remove_pictures(unused)
        self._engine.give_back_space()
        return upkeeps.Removed(visits, alerts, unused, untold)

    def free_bytes(self) -> int:
        """Bytes that may still be written to the disk that holds the folder."""
        with self._engine.error_scope("looking for free space"):
            return self._engine.disk.free_bytes(self.folder)

    def _first_visit_of(self, boot: str) -> int:
        """The storing number that the first visit of this boot has, or will have."""
        saved = (self.load_state("boot") or b"").decode(errors="replace").split()
        if boot and len(saved) == 2 and saved[0] == boot and saved[1].isdecimal():
            return int(saved[1])
        number = int(self._engine.select(tuple, "SELECT COALESCE(MAX(seq), 0) + 1 FROM visits")[0][0])
        if boot:
            try:
                self.save_state("boot", f"{boot} {number}".encode())
            except StoreError as error:  # a full disk must not keep the box from watching
                self.notes.append(f"after a restart, times of this boot could not be repaired: {error.what}")
        return number
