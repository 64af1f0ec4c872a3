"""The service loop: reads frames, runs the pipeline, and does the effects it asks for.

One thread; only deliveries have threads of their own. Everything it works with is handed in by `run`.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from dooryard import gate, pipeline
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.keeper import CameraKeeper
from dooryard.classify.base import Classifier
from dooryard.clock import Clock, FrameClock
from dooryard.effects import Effect, Look, Nobody, Record, Rest, Update
from dooryard.errors import StoreError
from dooryard.log import say
from dooryard.notify import Notifier
from dooryard.outbox.delivery import Delivery
from dooryard.outbox.store import Store
from dooryard.picture import encode
from dooryard.pipeline import Conditions, State
from dooryard.policy.say import DayVisit, alert_for, summary_alert, summary_due
from dooryard.policy.words import label
from dooryard.records import Alert, Frame, Moment, Outcome, Visit
from dooryard.sensors.clock_state import clock_is_set
from dooryard.timed import Timed

_log = logging.getLogger("dooryard")
_READ_S = 1.0  # the longest that a stop signal waits for a frame
_DAY = timedelta(days=1)
_MOST_UNSTORED = 8  # visits kept in memory while the disk refuses them


@dataclass(slots=True)
class Parts:
    """What `run` built."""

    camera: CameraKeeper
    classifier: Classifier
    store: Store
    delivery: Delivery
    clock: Clock
    timed: Timed
    notifier: Notifier
    process_clock: Clock  # real time, for the watchdog and the status line
    boot: str  # names the time during which monotonic seconds go on


@dataclass(slots=True)
class Tally:
    """Counts since the start, for the status line and the last log line."""

    frames: int = 0
    looks: int = 0
    visits: int = 0
    told: int = 0
    nobody: int = 0
    lost: int = 0


class Loop:
    """Frames in, effects done."""

    def __init__(self, parts: Parts, state: State, conditions: Conditions, stop: threading.Event) -> None:
        self._parts = parts
        self.state = state
        self.conditions = conditions
        self._stop = stop
        self.tally = Tally()
        self._unstored: deque[Record] = deque(maxlen=_MOST_UNSTORED)
        self._status_at_s = 0.0

    def run(self) -> None:
        """Go on until told to stop or the frames end; then end the visits and store them."""
        try:
            while not self._stop.is_set():
                self.turn()
        except EndOfFramesError:
            say(_log, logging.INFO, "recording over", frames=self.tally.frames)
        now = self._parts.clock.now()
        self.state, effects = pipeline.finish(self.state, self.conditions, now)
        self._do(effects, now)
        self._save(now)

    def turn(self) -> None:
        """One frame, or a short wait where there is none."""
        frame = self._next_frame()
        now = self._parts.clock.now()
        self.state, effects = pipeline.step(self.state, frame, self.conditions, now)
        self._do(effects, now)
        for name in self._parts.timed.due(now):
            self._upkeep(now) if name == "upkeep" else self._minute(now)
        self._alive()

    def _next_frame(self) -> Frame | None:
        clock, camera = self._parts.clock, self._parts.camera
        if not self.state.watching and camera.camera.live:
            clock.wait(self._stop, _READ_S)
            return None
        frame = camera.read(clock.now().mono_s, _READ_S)
        if frame is None:
            if camera.trouble:
                clock.wait(self._stop, _READ_S)
            return None
        if isinstance(clock, FrameClock):
            clock.take(frame)
        self.tally.frames += 1
        return frame

    def _do(self, effects: Sequence[Effect], now: Moment) -> None:
        for effect in effects:
            match effect:
                case Look(frame, boxes):
                    self.tally.looks += len(boxes)
                    sightings = self._parts.classifier.look(frame, boxes)
                    self.state, more = pipeline.looked(self.state, boxes, sightings, self.conditions, now)
                    self._do(more, now)
                case Record():
                    self._record(effect, now)
                case Update():
                    self._update(effect)
                case Nobody(visit):
                    self.tally.nobody += 1
                    say(_log, logging.INFO, "nobody after all", visit=visit.id, looks=visit.sightings)
                case Rest(resting):
                    self._rest(now, resting=resting)

    def _record(self, effect: Record, now: Moment) -> None:
        """Store a visit and its alert; while the disk refuses, keep it and try again each minute."""
        visit, decision = effect.visit, effect.decision
        try:
            self._parts.store.record_visit(
                visit,
                self._jpeg(visit),
                decision,
                self._alerts(effect, now),
                clock_set=self.conditions.clock_set,
            )
        except StoreError as error:
            if len(self._unstored) == _MOST_UNSTORED:
                self.tally.lost += 1
            self._unstored.append(effect)
            say(_log, logging.ERROR, "not stored", visit=visit.id, why=error.what, to_do=error.remedy)
            return
        self.tally.visits += 1
        self.tally.told += decision.outcome is Outcome.TELL
        say(
            _log,
            logging.INFO,
            "visit",
            id=visit.id,
            at=visit.start.wall.isoformat(timespec="seconds"),
            who=visit.visitor.name,
            sure=visit.visitor.sure,
            outcome=decision.outcome.value,
            why=decision.reason,
        )
        self._parts.delivery.wake()

    def _alerts(self, effect: Record, now: Moment) -> list[Alert]:
        if effect.decision.outcome is not Outcome.TELL:
            return []
        conditions = self.conditions
        alert = alert_for(conditions.policy, effect.visit, effect.decision, now, conditions.clock_set)
        return [alert]

    def _update(self, effect: Update) -> None:
        try:
            self._parts.store.update_visit(effect.visit, self._jpeg(effect.visit))
        except StoreError as error:
            say(_log, logging.ERROR, "visit's end not stored", visit=effect.visit.id, why=error.what)

    def _jpeg(self, visit: Visit) -> bytes | None:
        if visit.best is None:
            return None
        return encode(visit.best, visit.visitor.name, clock_set=self.conditions.clock_set)

    def _rest(self, now: Moment, *, resting: bool) -> None:
        say(_log, logging.INFO, "watch hours over: resting" if resting else "watch hours begin")
        if resting:
            self._parts.camera.rest()
            self._save(now)
        else:
            self._parts.camera.wake(now.mono_s)

    def _minute(self, now: Moment) -> None:
        if self._parts.camera.camera.live:
            self.conditions = replace(self.conditions, clock_set=clock_is_set(now.wall))
        while self._unstored:
            before = len(self._unstored)
            self._record(self._unstored.popleft(), now)
            if len(self._unstored) == before:
                break
        self._summary(now)
        self._save(now)

    def _summary(self, now: Moment) -> None:
        """Tell the day's summary when its time has come."""
        policy, store = self.conditions.policy, self._parts.store
        saved = store.load_state("last_summary")
        last = datetime.fromisoformat(saved.decode()) if saved else None
        if not self.conditions.clock_set or not summary_due(policy, last, now.wall):
            return
        since = max(last or now.wall - _DAY, now.wall - 7 * _DAY)
        visits = [
            DayVisit(label(visit.visitor), visit.start, visit.outcome)
            for visit in store.visits_between(since, now.wall)
        ]
        alert = summary_alert(policy, visits, now, self.conditions.sinks)
        if store.alert(alert.id) is None:  # else the power went between the two writes
            store.add_alert(alert)
        store.save_state("last_summary", now.wall.isoformat().encode())
        self.state = replace(self.state, policy=self.state.policy.summarised())
        self._parts.delivery.wake()

    def _upkeep(self, now: Moment) -> None:
        keeping = self.conditions.policy.keeping
        removed = self._parts.store.upkeep(keeping.days, keeping.megabytes * 1_000_000, now.wall)
        if removed:
            gone = len(removed.pictures)
            say(_log, logging.INFO, "old visits removed", visits=removed.visits, pictures=gone)

    def _save(self, now: Moment) -> None:
        """Keep what a restart needs: cooldowns, the gate's memory, and how far a recording was read."""
        store = self._parts.store
        try:
            store.save_state("policy", self.state.policy.to_json(now, self._parts.boot).encode())
            if self.state.gate is not None:
                store.save_state("gate", gate.save(self.state.gate))
            store.save_state("last_frame", now.wall.isoformat().encode())
        except StoreError as error:
            say(_log, logging.ERROR, "state not stored", why=error.what, to_do=error.remedy)

    def _alive(self) -> None:
        now_s = self._parts.process_clock.now().mono_s
        if self._parts.delivery.alive():
            self._parts.notifier.alive(now_s)
        if now_s - self._status_at_s >= 1.0:
            self._status_at_s = now_s
            self._parts.notifier.status(self.status())

    def status(self) -> str:
        """One line on how things are."""
        tally = self.tally
        watching = "watching" if self.state.watching else "resting until the watch hours"
        if self._parts.camera.trouble:
            watching = "camera lost, trying again"
        waiting = sum(states.get("waiting", 0) for states in self._parts.store.counts().values())
        unstored = f", {len(self._unstored)} not stored: disk refuses" if self._unstored else ""
        return (
            f"{watching}; {tally.frames} frames, {tally.looks} looks, {tally.visits} visits, "
            f"{tally.told} told, {waiting} to send{unstored}"
        )
