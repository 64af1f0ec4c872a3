"""The service loop: reads frames, runs the pipeline, and does the effects it asks for.

One thread; only deliveries have threads of their own. Everything it works with is handed in by `run`.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from dooryard import pipeline
from dooryard.button.press import Press
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.keeper import CameraKeeper
from dooryard.care import Care
from dooryard.classify.base import Classifier
from dooryard.clock import Clock, FrameClock
from dooryard.effects import Effect, Look, Nobody, Record, Rest, Update
from dooryard.errors import CameraError
from dooryard.journal.keeper import JournalKeeper
from dooryard.ledger import Ledger
from dooryard.log import say
from dooryard.notify import Notifier
from dooryard.outbox.delivery import Delivery
from dooryard.pipeline import Conditions, State
from dooryard.recorder import Recorder
from dooryard.records import Frame, Moment
from dooryard.sensors.clock_state import clock_is_set
from dooryard.sparing import spared_conditions
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
    care: Care | None = None  # None: a recording, which says nothing of a box
    recorder: Recorder | None = None  # None: the box makes no recording
    journal: JournalKeeper | None = None  # None: a recording, or it is built only when asked to
    reread: Callable[[Conditions], tuple[Conditions, str]] | None = None  # the policy, when asked to


class Loop:
    """Frames in, effects done."""

    def __init__(
        self,
        parts: Parts,
        state: State,
        conditions: Conditions,
        stop: threading.Event,
        reload: threading.Event,
    ) -> None:
        self._parts = parts
        self.state = state
        self.conditions = conditions
        self._stop = stop
        self._reload = reload
        self.halting = False
        self.frames = self.looks = self.nobody = 0
        self._spared_off = False
        self._camera_lost = False
        self._stuck_told = False
        self._recording_end_told = False
        self._status_at_s = 0.0

    def run(self) -> None:
        """Go on until told to stop, asked to halt, or the frames end. `finish` comes next."""
        try:
            while not self._stop.is_set() and not self.halting:
                self.turn()
        except EndOfFramesError:
            say(_log, logging.INFO, "recording over", frames=self.frames)

    def finish(self) -> None:
        """End the visits, and store them and what a restart needs."""
        now = self._parts.clock.now()
        self.state, effects = pipeline.finish(self.state, self.conditions, now)
        self._do(effects, now)
        self._save(now, thorough=True)
        self._parts.ledger.note(self.state, self.conditions, now)

    def turn(self) -> None:
        """One frame, or a short wait where there is none."""
        frame = self._next_frame()
        now = self._parts.clock.now()
        care = self._parts.care
        if care is not None:
            self._look_after_the_box(care, now)
        if self._reload.is_set():
            self._read_the_policy_anew(now)
        if not self._spared_off and (frame is None or care is None or care.in_turn(now)):
            self._step(frame, now)
        for name in self._parts.timed.due(now):
            if name == "upkeep":
                self._parts.ledger.upkeep(self.conditions, now)
                self._parts.ledger.note(self.state, self.conditions, now)
            else:
                self._minute(now)
        if self._parts.journal is not None:
            hot = care is not None and bool(care.spared.because)
            watching = self.state.watching
            for text in self._parts.journal.turn(self.conditions, now, watching=watching, hot=hot):
                self.tell("journal", text, now)
        self._alive()

    def _step(self, frame: Frame | None, now: Moment) -> None:
        if frame is not None:
            self._record(frame, now)
        news = self.state.gate.news if self.state.gate else ""
        self.state, effects = pipeline.step(self.state, frame, self._rules(), now)
        if self.state.gate and self.state.gate.news not in ("", news):
            say(_log, logging.INFO, "gate", news=self.state.gate.news)
        self._do(effects, now)

    def _record(self, frame: Frame, now: Moment) -> None:
        """Keep the frame in the box's own recording, and tell when that has come to its end."""
        recorder = self._parts.recorder
        if recorder is None:
            return
        recorder.take(frame, clock_set=self.conditions.clock_set)
        if recorder.stopped is not None and not self._recording_end_told:
            self._recording_end_told = True
            self.tell("disk", f"the box's own recording stopped: {recorder.stopped}", now)

    def _rules(self) -> Conditions:
        """What holds, with what is spared."""
        care = self._parts.care
        return self.conditions if care is None else spared_conditions(self.conditions, care.spared)

    def _look_after_the_box(self, care: Care, now: Moment) -> None:
        """Sensors and button, and what follows from them."""
        for each in care.turn(self.conditions.policy, now):
            self.tell(each.kind, each.text, now)
        if self._parts.recorder is not None and care.new:
            self._parts.recorder.readings(care.new, now)
        if care.temps_c and self.conditions.clock_set:
            self._parts.ledger.daybook.warmth(care.temps_c, now)
        for press in care.presses():
            if press is Press.HELD:
                care.halt_now()
            else:
                self.tell("status", self.status(), now)
        if care.spared.halt and not self.halting:
            self.halting = True
        if care.spared.camera_off != self._spared_off:
            self._spare_the_camera(care, now)

    def _read_the_policy_anew(self, now: Moment) -> None:
        self._reload.clear()
        if self._parts.reread is None:
            self.tell("policy", "there is no policy file to read: the built-in policy holds", now)
            return
        self.conditions, text = self._parts.reread(self.conditions)
        self.tell("policy", text, now)

    def _spare_the_camera(self, care: Care, now: Moment) -> None:
        """Close the camera while a step asks for it, and open it again after."""
        self._spared_off = care.spared.camera_off
        if self._spared_off:
            self.state, effects = pipeline.finish(self.state, self.conditions, now)
            self._do(effects, now)
            self._parts.camera.rest()
            self._parts.ledger.daybook.off(now, "heat")
        else:
            if self.state.watching:  # else the watch hours open it, when they begin
                self._parts.camera.wake(now.mono_s)
            self._parts.ledger.daybook.on(now)

    def tell(self, kind: str, text: str, now: Moment) -> None:
        """Tell something about the box, to whom the policy says."""
        say(_log, logging.INFO, f"box: {kind}", text=text)
        self._parts.ledger.message(kind, text, self.conditions, now)

    def _next_frame(self) -> Frame | None:
        clock, camera = self._parts.clock, self._parts.camera
        if (self._spared_off or not self.state.watching) and camera.camera.live:
            clock.wait(self._stop, _READ_S)
            return None
        frame = camera.read(clock.now().mono_s, _READ_S)
        self._tell_of_the_camera(clock.now())
        if frame is None:
            if camera.trouble:
                clock.wait(self._stop, _READ_S)
            return None
        if isinstance(clock, FrameClock):
            clock.take(frame)
        self.frames += 1
        return frame

    def _tell_of_the_camera(self, now: Moment) -> None:
        trouble = self._parts.camera.trouble
        if trouble == self._camera_lost:
            return
        self._camera_lost = trouble
        if trouble:
            self._parts.ledger.daybook.off(now, "the camera was lost")
        else:
            self._parts.ledger.daybook.on(now)
        self.tell("camera", "the camera is lost, trying again" if trouble else "the camera is back", now)

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
                case Nobody(visit, why):
                    self.nobody += 1
                    say(_log, logging.INFO, "no visit after all", visit=visit.id, why=why)
                case Rest(resting):
                    self._rest(now, resting=resting)

    def _look(self, effect: Look, now: Moment) -> None:
        self.looks += len(effect.boxes)
        try:
            sightings = self._parts.classifier.look(effect.frame, effect.boxes)
        except CameraError as error:  # the large picture could not be had; the next frame will tell
            say(_log, logging.WARNING, "no large picture", frame=effect.frame.number, why=error.what)
            return
        self.state, more = pipeline.looked(self.state, effect.boxes, sightings, self._rules(), now)
        self._do(more, now)

    def _rest(self, now: Moment, *, resting: bool) -> None:
        say(_log, logging.INFO, "watch hours over: resting" if resting else "watch hours begin")
        if resting:
            self._parts.camera.rest()
            self._save(now, thorough=True)
        else:
            self._parts.camera.wake(now.mono_s)

    def _minute(self, now: Moment) -> None:
        ledger = self._parts.ledger
        if self._parts.camera.camera.live:
            clock_set = clock_is_set(now.wall)
            if clock_set and not self.conditions.clock_set:
                ledger.mend_times(now)
                self.tell("clock", "the clock is set now", now)
            self.conditions = replace(self.conditions, clock_set=clock_set)
        ledger.retry(self.conditions, now)
        ledger.summary(self.conditions, now)
        self._save(now)

    def _save(self, now: Moment, *, thorough: bool = False) -> None:
        care = self._parts.care
        welfare = None if care is None else care.state.to_json(now).encode()
        self._parts.ledger.save(self.state, welfare, now, thorough=thorough)

    def _alive(self) -> None:
        """Pat the watchdog while every part answers, and say how things are."""
        now = self._parts.process_clock.now()
        care = self._parts.care
        if self._parts.delivery.alive() and (care is None or care.desk.alive(now)):
            self._parts.notifier.alive(now.mono_s)
        elif not self._stuck_told:
            self._stuck_told = True
            part = "a delivery" if not self._parts.delivery.alive() else "a sensor"
            say(_log, logging.CRITICAL, "stuck: the service manager will start the service again", part=part)
        if now.mono_s - self._status_at_s >= 1.0:
            self._status_at_s = now.mono_s
            self._parts.notifier.status(self.status())
            if care is not None:
                care.show(seeing=bool(self.state.visits.tracks), **self._parts.ledger.sending())

    def status(self) -> str:
        """One line on how things are."""
        doing = "watching" if self.state.watching else "resting until the watch hours"
        if self._spared_off:
            doing = "resting until it has cooled"
        elif self._parts.camera.trouble:
            doing = "camera lost, trying again"
        return f"{doing}; {self.frames} frames, {self.looks} looks, {self._parts.ledger.status()}"
