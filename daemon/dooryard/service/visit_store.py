"""Writes down what the pipeline decided. While the disk refuses, it keeps what it can and tries again.

The degraded mode is: visits wait in memory, at most `MOST_UNSTORED` of them with one picture each, and
are tried again every minute; the status line says so. Nothing is told that is not stored. Ends of visits wait
with them. What the disk still refuses at the end is counted and named.
"""

from __future__ import annotations

import logging
import os
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from dooryard.core.effects import Record, StillHere, Update
from dooryard.core.errors import StoreError
from dooryard.core.ids import id_for
from dooryard.core.log import say
from dooryard.core.records import Alert, Moment, Outcome
from dooryard.health.state import box_alert
from dooryard.history import annotations as marks
from dooryard.outbox.schedule import DeliveryState
from dooryard.outbox.store import VISIT_PICTURE, Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.keeping import short_bytes
from dooryard.policy.say import alert_for
from dooryard.service.absences import Tidings
from dooryard.service.activity_log import ActivityLog
from dooryard.service.picture_making import VisitPictures
from dooryard.service.saving import Saving
from dooryard.service.second_messages import SecondMessages
from dooryard.service.store_errors import log_store_errors
from dooryard.service.summaries import tell_summary

MOST_UNSTORED = 8
_log = logging.getLogger("dooryard")


@dataclass(slots=True)
class RunTally:
    """Counts since the start, for the status line and the last log line."""

    visits: int = 0
    told: int = 0
    ended: int = 0  # visits that are over
    lost: int = 0  # visits that the disk refused for so long that newer ones took their place


class VisitStore:
    """The store, as the loop uses it. `wake` is called when there is something new to tell."""

    def __init__(
        self, store: Store, activity_log: ActivityLog, wake: Callable[[], None], boot: str, began: Moment
    ) -> None:
        self._store = store
        self.began = began
        self.last_visit: Moment | None = None  # when one was last seen, since the start
        self._saving = Saving(store, boot, began)
        self.activity_log = activity_log
        self._wake = wake
        self._pictures = VisitPictures()
        self._second = SecondMessages(store, self._pictures)
        self._unstored: deque[Record] = deque(maxlen=MOST_UNSTORED)
        self._unended: deque[Update] = deque(maxlen=MOST_UNSTORED)
        self.tally = RunTally()
        self.tidings = Tidings(store, wake)

    def record(self, effect: Record, conditions: Conditions, now: Moment) -> None:
        """Store a visit, its decision and its alert, all or none; without its picture if need be."""
        visit, decision = effect.visit, effect.decision
        try:
            self._store_visit(effect, self._pictures.first(visit, conditions, now), conditions, now)
        except StoreError as error:
            if not self._stored_without_picture(effect, conditions, now):
                self.tally.lost += len(self._unstored) == MOST_UNSTORED
                self._unstored.append(effect)
                say(_log, logging.ERROR, "not stored", visit=visit.id, why=error.what, to_do=error.remedy)
                return
            say(_log, logging.ERROR, "stored without its picture", visit=visit.id, why=error.what,
                to_do=error.remedy)  # fmt: skip
        else:
            self._pictures.stored(visit)
        self.last_visit = visit.last_seen
        self.tally.visits += 1
        self.tally.told += decision.outcome is Outcome.TELL
        at = visit.start.wall.isoformat(timespec="seconds")
        say(_log, logging.INFO, "visit", id=visit.id, at=at, who=visit.visitor.name,
            sure=visit.visitor.sure, why=decision.reason)  # fmt: skip
        self._wake()

    def _stored_without_picture(self, effect: Record, conditions: Conditions, now: Moment) -> bool:
        """With the disk nearly full there may be room for the words, if not for the picture."""
        try:
            self._store_visit(effect, None, conditions, now)
        except StoreError:  # the caller says the first error, which names the cause
            return False
        return True

    def _store_visit(self, effect: Record, jpeg: bytes | None, conditions: Conditions, now: Moment) -> None:
        alerts = _alerts(effect, conditions, now)
        self._store.record_visit(effect.visit, jpeg, effect.decision, alerts, clock_set=conditions.clock_set)

    def update(self, effect: Update, conditions: Conditions, now: Moment) -> None:
        """Store the end of a visit; one that still waits to be stored is brought up to date instead."""
        self.tally.ended += 1
        for at, waiting in enumerate(self._unstored):
            if waiting.visit.id == effect.visit.id:
                self._unstored[at] = replace(waiting, visit=effect.visit)
                return
        self._end(effect, conditions, now)

    def still_here(self, effect: StillHere, conditions: Conditions, now: Moment) -> None:
        """Store one more message on a visit that was told and lasts."""
        self._second.take(effect, conditions, now)
        self._wake()

    def _end(self, effect: Update, conditions: Conditions, now: Moment) -> None:
        visit = effect.visit
        try:
            self._store.update_visit(visit, self._pictures.better(visit, conditions, now))
        except StoreError as error:
            if self._ended_without_picture(effect):
                return
            self.tally.lost += len(self._unended) == MOST_UNSTORED
            self._unended.append(effect)
            say(_log, logging.ERROR, "end of visit not stored", visit=visit.id, why=error.what,
                to_do=error.remedy)  # fmt: skip

    def _ended_without_picture(self, effect: Update) -> bool:
        """With the disk nearly full there may be room for the words, if not for a better picture."""
        try:
            self._store.update_visit(effect.visit, None)
        except StoreError:  # the caller says the first error, which names the cause
            return False
        return True

    @log_store_errors
    def look_after_files(self, now: Moment) -> None:
        """Notice files that were deleted while they are open; what they held is written again."""
        self._store.look_after_file()
        self.activity_log.look_after_file(now)

    def retry(self, conditions: Conditions, now: Moment) -> None:
        """Try again to store what waits."""
        waiting, ends = list(self._unstored), list(self._unended)
        self._unstored.clear()
        self._unended.clear()
        for effect in waiting:
            self.record(effect, conditions, now)
        for end in ends:
            self._end(end, conditions, now)
        self._second.retry()
        self.tidings.retry()

    def last_try(self, conditions: Conditions, now: Moment) -> None:
        """At the end: try once more, then count and name what the disk still refuses."""
        self.retry(conditions, now)
        lost = [record.visit.id for record in self._unstored] + [end.visit.id for end in self._unended]
        self.tally.lost += len(lost)
        if lost:
            say(_log, logging.ERROR, "lost: the disk refused until the end", visits=" ".join(lost))

    @log_store_errors
    def summary(self, conditions: Conditions, now: Moment) -> None:
        """Tell the day's summary when its time has come."""
        if tell_summary(self._store, conditions, now):
            self._wake()

    @log_store_errors
    def upkeep(self, conditions: Conditions, now: Moment) -> None:
        """Bring the store within the policy's bounds."""
        keeping = conditions.policy.keeping
        removed = self._store.upkeep(
            keeping.days,
            keeping.megabytes * 1_000_000,
            now.wall,
            marks.kept(self._store.folder),
            favourites_count=keeping.favourites_count,
            short_bytes=short_bytes(
                self._store.free_bytes(), conditions.policy.disk.tell_below_mb * 1_000_000
            ),
        )
        if removed:
            gone = len(removed.pictures)
            say(_log, logging.INFO, "old visits removed", visits=removed.visits, pictures=gone)
        marks.upkeep(self._store.folder, keeping.days, now.wall)

    @log_store_errors
    def message(self, kind: str, text: str, conditions: Conditions, now: Moment) -> None:
        """Tell something about the box itself; `kind` is a key of the policy's [messages]."""
        alert = box_alert(
            conditions.policy,
            kind,
            text,
            now,
            conditions.clock_set,
            sinks=conditions.sinks,
            alert_id=id_for(os.urandom(16), 0, now.wall),
        )
        if alert is not None:
            self._store.add_alert(alert)
            self._wake()

    @log_store_errors
    def publish(self, stands: str, sinks: Sequence[str], place: str, now: Moment, *, clock_set: bool) -> None:
        """Have the journal, whose fingerprint is `stands`, brought to `sinks`, unless it was before."""
        state = f"{stands} {' '.join(sorted(sinks))}".encode()
        if not sinks or self._store.load_state("published") == state:
            return
        alert_id = id_for(os.urandom(16), 0, now.wall)
        title = f"The journal of {place}"
        text = "Its pages have changed."
        alert = Alert(alert_id, "journal", now.wall, clock_set, title, text, tuple(sinks))
        self._store.add_alert(alert, replacing=True)
        self._store.save_state("published", state)  # after: a power cut between them costs a round too many
        self._wake()

    @log_store_errors
    def mend_times(self, now: Moment) -> None:
        """The clock has been set: shift the times of what was stored since the start by as much."""
        mended = self._store.mend_times(
            (now.wall - self.began.wall).total_seconds() - (now.mono_s - self.began.mono_s)
        )
        say(_log, logging.INFO, "clock set", visits_mended=mended)

    @property
    def waiting(self) -> int:
        """How many visits wait in memory, as the disk refuses them."""
        return len(self._unstored) + len(self._unended)

    def damages(self) -> list[str]:
        """What was found damaged since the last time that this was asked, one sentence each."""
        return [*self._store.news(), *self.activity_log.news()]

    def deliveries(self) -> dict[str, dict[str, int]]:
        """Sink -> state -> how many. Raises StoreError."""
        return self._store.counts()

    def free_bytes(self) -> int:
        """Bytes left on the store's disk. Raises StoreError."""
        return self._store.free_bytes()

    def sending(self) -> dict[str, bool]:
        """Whether alerts are on their way, and whether some are late, for the lamp."""
        try:
            sinks = [
                sink for sink, states in self._store.counts().items() if states.get(DeliveryState.WAITING)
            ]
            late = any(each.attempts > 1 for sink in sinks for each in self._store.pending(sink, limit=20))
        except StoreError:  # said by what failed to be stored
            return {"sending": False, "late": False}
        return {"sending": bool(sinks), "late": late}

    @log_store_errors
    def save(
        self,
        state: State,
        health: bytes | None,
        now: Moment,
        *,
        thorough: bool = False,
        clock_set: bool = False,
    ) -> None:
        """Keep what a restart needs, as far as it is due."""
        self._saving.save(state, health, now, thorough=thorough, clock_set=clock_set)

    @log_store_errors
    def note(self, state: State, conditions: Conditions, now: Moment) -> None:
        """Give the journal what the gate held back."""
        self.activity_log.note(now, state.gate, conditions.policy)

    def status(self) -> str:
        """How many were stored, told, and wait."""
        try:
            counts = self._store.counts().values()
            waiting = f"{sum(states.get(DeliveryState.WAITING, 0) for states in counts)} to send"
        except StoreError as error:
            waiting = f"the store cannot be read ({error.what})"
        unstored = f", {self.waiting} not stored: the disk refuses" if self.waiting else ""
        return f"{self.tally.visits} visits, {self.tally.told} sent, {waiting}{unstored}"


def _alerts(effect: Record, conditions: Conditions, now: Moment) -> list[Alert]:
    """The alert of a visit that is told, or held: the outbox keeps it until quiet hours end."""
    if not effect.decision.sinks:
        return []
    return [
        alert_for(
            conditions.policy,
            effect.visit,
            effect.decision,
            now,
            conditions.clock_set,
            picture=VISIT_PICTURE,
        )
    ]
