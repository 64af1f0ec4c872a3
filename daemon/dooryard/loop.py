"""The service loop: reads frames, runs the pipeline, and does the effects it asks for.

One thread; only deliveries have threads of their own. Everything it works with is handed in by `run`.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dooryard import pipeline
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.keeper import CameraKeeper
from dooryard.classify.base import Classifier
from dooryard.clock import Clock, FrameClock
from dooryard.effects import Effect, Look, Nobody, Record, Rest, Update
from dooryard.errors import CameraError
from dooryard.ledger import Ledger
from dooryard.log import say
from dooryard.notify import Notifier
from dooryard.outbox.delivery import Delivery
from dooryard.pipeline import Conditions, State
from dooryard.records import Frame, Moment
from dooryard.sensors.clock_state import clock_is_set
from dooryard.timed import Timed

_log = logging.getLogger("dooryard")
_READ_S = 1.0  # the longest that a stop signal waits for a frame


@dataclass(slots=True)
class Parts:
    """What `run` built."""

    camera: CameraKeeper
    classifier: Classifier
    ledger: Ledger
    delivery: Delivery
    clock: Clock
    timed: Timed
    notifier: Notifier
    process_clock: Clock  # real time, for the watchdog and the status line


class Loop:
    """Frames in, effects done."""

    def __init__(self, parts: Parts, state: State, conditions: Conditions, stop: threading.Event) -> None:
        self._parts = parts
        self.state = state
        self.conditions = conditions
        self._stop = stop
        self.frames = self.looks = self.nobody = 0
        self._status_at_s = 0.0

    def run(self) -> None:
        """Go on until told to stop or the frames end; then end the visits and store them."""
        try:
            while not self._stop.is_set():
                self.turn()
        except EndOfFramesError:
            say(_log, logging.INFO, "recording over", frames=self.frames)
        now = self._parts.clock.now()
        self.state, effects = pipeline.finish(self.state, self.conditions, now)
        self._do(effects, now)
        self._parts.ledger.save(self.state, now)
        self._parts.ledger.note(self.state, self.conditions, now)

    def turn(self) -> None:
        """One frame, or a short wait where there is none."""
        frame = self._next_frame()
        now = self._parts.clock.now()
        news = self.state.gate.news if self.state.gate else ""
        self.state, effects = pipeline.step(self.state, frame, self.conditions, now)
        if self.state.gate and self.state.gate.news not in ("", news):
            say(_log, logging.INFO, "gate", news=self.state.gate.news)
        self._do(effects, now)
        for name in self._parts.timed.due(now):
            if name == "upkeep":
                self._parts.ledger.upkeep(self.conditions, now)
                self._parts.ledger.note(self.state, self.conditions, now)
            else:
                self._minute(now)
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
        self.frames += 1
        return frame

    def _do(self, effects: Sequence[Effect], now: Moment) -> None:
        ledger = self._parts.ledger
        for effect in effects:
            match effect:
                case Look():
                    self._look(effect, now)
                case Record():
                    ledger.record(effect, self.conditions, now)
                case Update():
                    ledger.update(effect, self.conditions)
                case Nobody(visit):
                    self.nobody += 1
                    say(_log, logging.INFO, "nobody after all", visit=visit.id, looks=visit.sightings)
                case Rest(resting):
                    self._rest(now, resting=resting)

    def _look(self, effect: Look, now: Moment) -> None:
        self.looks += len(effect.boxes)
        try:
            sightings = self._parts.classifier.look(effect.frame, effect.boxes)
        except CameraError as error:  # the large picture could not be had; the next frame will tell
            say(_log, logging.WARNING, "no large picture", frame=effect.frame.number, why=error.what)
            return
        self.state, more = pipeline.looked(self.state, effect.boxes, sightings, self.conditions, now)
        self._do(more, now)

    def _rest(self, now: Moment, *, resting: bool) -> None:
        say(_log, logging.INFO, "watch hours over: resting" if resting else "watch hours begin")
        if resting:
            self._parts.camera.rest()
            self._parts.ledger.save(self.state, now)
        else:
            self._parts.camera.wake(now.mono_s)

    def _minute(self, now: Moment) -> None:
        if self._parts.camera.camera.live:
            self.conditions = replace(self.conditions, clock_set=clock_is_set(now.wall))
        ledger = self._parts.ledger
        ledger.retry(self.conditions, now)
        ledger.summary(self.conditions, now)
        ledger.save(self.state, now)

    def _alive(self) -> None:
        now_s = self._parts.process_clock.now().mono_s
        if self._parts.delivery.alive():
            self._parts.notifier.alive(now_s)
        if now_s - self._status_at_s >= 1.0:
            self._status_at_s = now_s
            self._parts.notifier.status(self.status())

    def status(self) -> str:
        """One line on how things are."""
        doing = "watching" if self.state.watching else "resting until the watch hours"
        if self._parts.camera.trouble:
            doing = "camera lost, trying again"
        return f"{doing}; {self.frames} frames, {self.looks} looks, {self._parts.ledger.status()}"
