"""The service loop: reads frames, runs the pipeline, and does the effects it asks for.

One thread; only deliveries have threads of their own. Everything it works with is handed in by `run`.
Longer than most modules: what a turn of the loop does stands in one place.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime

from dooryard import pipeline
from dooryard.button.press import Press
from dooryard.camera.base import EndOfFramesError
from dooryard.core.clock import FrameClock
from dooryard.core.effects import (
    BackgroundSample,
    ClassifyRequest,
    Effect,
    Nobody,
    Record,
    Rest,
    StillHere,
    Update,
)
from dooryard.core.errors import DooryardError
from dooryard.core.log import say
from dooryard.core.records import Absent, Frame, Moment
from dooryard.health.monitor import Monitor
from dooryard.health.throttle import throttled_conditions
from dooryard.outbox.connectivity import ConnectivityMonitor
from dooryard.outbox.schedule import Instead
from dooryard.pipeline import Conditions, State
from dooryard.policy.holding import held_back
from dooryard.policy.mute import hushed
from dooryard.policy.sink_hours import as_for, instead_of
from dooryard.sensors.clock_state import clock_is_set
from dooryard.service.camera_in_heat import CameraInHeat
from dooryard.service.failover import Sight
from dooryard.service.journal_scheduler import JournalScheduler
from dooryard.service.parts import Parts
from dooryard.service.status import status_text
from dooryard.service.watchdog import Watchdog

_log = logging.getLogger("dooryard")
_READ_S = 1.0  # the longest that a stop signal waits for a frame
_TROUBLE_S = 0.5  # a pause between tries; with the try itself the button is heard within two seconds


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
        self._heat = CameraInHeat(parts.camera, parts.visit_store.activity_log)
        self._camera_lost = self._opening = False
        self._sight = Sight(parts.classifier, self.tell)
        self._network = ConnectivityMonitor(parts.dispatcher, self.tell)
        poller = None if parts.monitor is None else parts.monitor.poller
        self._watchdog = Watchdog(parts.notifier, parts.dispatcher, poller, parts.process_clock)
        self._status_at_s = 0.0
        self._hush = ""

    def run(self) -> None:
        """Go on until told to stop, asked to halt, or the frames end. `finish` comes next."""
        self.hear_the_mute(self._parts.clock.now())
        self._learn()
        self._watchdog.start()
        try:
            while not self._stop.is_set() and not self.halting:
                self.tick()
        except EndOfFramesError:
            say(_log, logging.INFO, "recording over", frames=self.frames)
        finally:
            self._watchdog.stop()

    def open_camera(self) -> bool:
        """Open the camera for the first time, and do meanwhile what needs none.

        False: asked to stop or to halt before it was open. Raises `CameraError` where it cannot be opened.
        """
        while not (self._stop.is_set() or self.halting):
            self._parts.notifier.starting("the camera")
            self._opening = not (self._heat.closed or self._parts.camera.open_in_steps())
            if not self._opening:
                return True
            now = self._parts.clock.now()
            self._look_around(now)
            self._do_what_is_due(now)
            self._show()
        return False

    def finish(self) -> None:
        """End the visits, and store them and what a restart needs."""
        now = self._parts.clock.now()
        self.state, effects = pipeline.finish(self.state, self.conditions, now)
        self._do(effects, now)
        self._parts.visit_store.last_try(self.conditions, now)
        self._save(now, thorough=True)
        self._parts.visit_store.note(self.state, self.conditions, now)

    def tick(self) -> None:
        """One frame, or a short wait where there is none."""
        self._watchdog.doing("a frame is read")
        frame = self._next_frame()
        self._watchdog.doing("a frame is worked on")
        now = self._parts.clock.now()
        monitor = self._parts.monitor
        self._look_around(now)
        if not self._heat.closed and (frame is None or monitor is None or monitor.in_turn(now)):
            self._step(frame, now)
        self.state, effects = pipeline.waited(self.state, self.conditions, now)
        self._do(effects, now)
        self._do_what_is_due(now)
        if self._parts.journal is not None:
            self._tick_journal(self._parts.journal, now)
        self._parts.ticked_s = self._parts.process_clock.now().mono_s
        self._watchdog.ticked(frames_well=frame is not None or self._no_frame_is_due())
        self._show()

    def _look_around(self, now: Moment) -> None:
        """What goes on with or without frames: sensors, the button, a policy that was changed."""
        if self._parts.monitor is not None:
            self._look_after_the_box(self._parts.monitor, now)
        if self._reload.is_set():
            self._reread_the_policy(now)

    def _do_what_is_due(self, now: Moment) -> None:
        for name in self._parts.timed.due(now):
            if name == "upkeep":
                self._parts.visit_store.upkeep(self.conditions, now)
                self._parts.visit_store.note(self.state, self.conditions, now)
            else:
                self._minute(now)

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
        if end := recorder.news():
            self.tell("disk", f"the box's own recording stopped: {end}", now)

    def _rules(self) -> Conditions:
        """What holds, throttled."""
        monitor = self._parts.monitor
        return self.conditions if monitor is None else throttled_conditions(self.conditions, monitor.throttle)

    def _look_after_the_box(self, monitor: Monitor, now: Moment) -> None:
        """Sensors and button, and what follows from them."""
        for each in monitor.tick(self.conditions.policy, now):
            self.tell(each.kind, each.text, now)
            if each.kind == "disk":
                self._parts.visit_store.upkeep(self.conditions, now)
        if self._parts.recorder is not None and monitor.new:
            self._parts.recorder.readings(monitor.new, now)
        if monitor.temps_c and self.conditions.clock_set:
            self._parts.visit_store.activity_log.warmth(monitor.temps_c, now)
        for press in monitor.presses():
            if press is Press.HELD:
                monitor.halt_now()
            else:
                clock_set = self.conditions.clock_set
                text = status_text(self._parts, self.doing(), now, clock_set=clock_set, hush=self.hush(now))
                self.tell("status", text, now)
        self.halting |= monitor.throttle.halt
        if self._heat.must_change(monitor.throttle):
            self._close_or_open_the_camera(now)

    def _reread_the_policy(self, now: Moment) -> None:
        self._reload.clear()
        text = "there is no policy file to read: the built-in policy holds"
        if self._parts.reread is not None:
            self.conditions, text = self._parts.reread(self.conditions)
        self.tell("policy", text, now)

    def _close_or_open_the_camera(self, now: Moment) -> None:
        """As the heat steps ask."""
        if self._heat.closed:
            self._heat.open_again(now, watching=self.state.watching)
            return
        self.state, effects = pipeline.finish(self.state, self.conditions, now)
        self._do(effects, now)
        self._heat.close(now)

    def tell(self, kind: str, text: str, now: Moment, *, but: Collection[str] = ()) -> None:
        """Tell something about the box, to whom the policy says and who is not in `but`."""
        say(_log, logging.INFO, f"box: {kind}", text=text)
        to = replace(self.conditions, sinks=self.conditions.sinks.difference(but))
        self._parts.visit_store.message(kind, text, to, now)

    def holds(self, sink: str, kind: str, made: datetime | None) -> bool:
        """Whether an alert that is not urgent waits, for its hour or in a mute. Asked from other threads."""
        now, rules = self._parts.clock.now(), self.conditions
        policy = as_for(rules.policy, sink)
        return held_back(
            policy, kind, made, now.wall, clock_set=rules.clock_set, muted_until=rules.muted_until
        )

    def instead(self, sink: str) -> Instead | None:
        """Who is given what `sink` cannot be. Asked from other threads."""
        found = instead_of(self.conditions.policy, sink)
        return None if found is None else Instead(*found)

    def _next_frame(self) -> Frame | None:
        clock, camera = self._parts.clock, self._parts.camera
        if (self._heat.closed or not self.state.watching) and camera.camera.live:
            clock.wait(self._stop, _READ_S)
            return None
        frame = camera.read(clock.now().mono_s, _READ_S)
        self._tell_of_the_camera(clock.now())
        if frame is None:
            if camera.trouble:
                clock.wait(self._stop, _TROUBLE_S)
            return None
        if isinstance(clock, FrameClock):
            clock.take(frame)
        self.frames += 1
        return frame

    def _tick_journal(self, scheduler: JournalScheduler, now: Moment) -> None:
        hot = self._parts.monitor is not None and bool(self._parts.monitor.throttle.because)
        for text in scheduler.tick(self.conditions, now, watching=self.state.watching, hot=hot):
            self.tell("journal", text, now)

    def _tell_of_the_camera(self, now: Moment) -> None:
        trouble = self._parts.camera.trouble
        if trouble == self._camera_lost:
            return
        self._camera_lost = trouble
        if trouble:
            self._parts.visit_store.activity_log.off(now, "the camera was lost")
        else:
            self._parts.visit_store.activity_log.on(now)
        self.tell("camera", "the camera is lost, trying again" if trouble else "the camera is back", now)

    def _do(self, effects: Sequence[Effect], now: Moment) -> None:
        visit_store = self._parts.visit_store
        for effect in effects:
            match effect:
                case ClassifyRequest():
                    self._look(effect, now)
                case BackgroundSample():
                    self._background_sample(effect, now)
                case Record():
                    visit_store.record(effect, self.conditions, now)
                case Update():
                    visit_store.update(effect, self.conditions, now)
                case StillHere():
                    visit_store.still_here(effect, self.conditions, now)
                case Nobody(visit, why):
                    self.nobody += 1
                    say(_log, logging.INFO, "no visit after all", visit=visit.id, why=why)
                case Rest(resting):
                    self._rest(now, resting=resting)
                case Absent():
                    visit_store.tidings.tell(effect, self.conditions, now)

    def _look(self, effect: ClassifyRequest, now: Moment) -> None:
        self.looks += len(effect.boxes)
        sightings = self._sight.look(effect.frame, effect.boxes, now)
        if sightings is not None:
            self.state, more = pipeline.looked(self.state, effect.boxes, sightings, self._rules(), now)
            self._do(more, now)

    def _background_sample(self, effect: BackgroundSample, now: Moment) -> None:
        if sighting := self._sight.background_sample(effect.frame, effect.box, now):
            self.state = pipeline.sampled(self.state, sighting)

    def _rest(self, now: Moment, *, resting: bool) -> None:
        say(_log, logging.INFO, "watch hours over: resting" if resting else "watch hours begin")
        if resting:
            self._parts.camera.rest()
            self._save(now, thorough=True)
        else:
            self._parts.camera.wake(now.mono_s)

    def _minute(self, now: Moment) -> None:
        visit_store = self._parts.visit_store
        if self._parts.camera.camera.live:
            clock_set = clock_is_set(now.wall)
            if clock_set and not self.conditions.clock_set:
                visit_store.mend_times(now)
                self.state = replace(self.state, policy=self.state.policy.outage_counted(now))
            self.conditions = replace(self.conditions, clock_set=clock_set)
        visit_store.look_after_files(now)
        self.hear_the_mute(now)
        for text in visit_store.damages():
            self.tell("disk", text, now)
        visit_store.retry(self.conditions, now)
        visit_store.summary(self.conditions, now)
        self._sight.try_again(now)
        self._network.look(self.conditions.sinks, now)
        self._learn()
        self._save(now)

    def hear_the_mute(self, now: Moment) -> None:
        """Take in a mute that somebody asked for or ended, and say what holds where that has changed."""
        muted_until = self._parts.visit_store.activity_log.muted_until(self.conditions.muted_until)
        if muted_until != self.conditions.muted_until:
            self.conditions = replace(self.conditions, muted_until=muted_until)
            self._parts.dispatcher.wake()  # what waited for its end goes out
        hush = self.hush(now)
        if hush != self._hush:
            say(_log, logging.INFO, "silence", holds=hush or "neither a pause nor a mute")
            self._hush = hush

    def hush(self, now: Moment) -> str:
        """The pause or the mute that holds, in words; "": neither."""
        rules = self.conditions
        found = hushed(rules.policy, rules.muted_until, now.wall, rules.clock_set)
        return found.text if found else ""

    def _learn(self) -> None:
        """Take in what people said of visits."""
        if self._parts.feedback is None:
            return
        try:
            self.state = replace(self.state, place=self._parts.feedback.take_in(self.state.place))
        except DooryardError as error:
            say(_log, logging.ERROR, "nothing learned from marks", why=error.what, to_do=error.remedy)

    def _save(self, now: Moment, *, thorough: bool = False) -> None:
        monitor = self._parts.monitor
        health = None if monitor is None else monitor.state.to_json(now).encode()
        self._parts.visit_store.save(
            self.state, health, now, thorough=thorough, clock_set=self.conditions.clock_set
        )

    def _no_frame_is_due(self) -> bool:
        """Whether no frame is wanted at present, or it was told why none comes."""
        return self._heat.closed or not self.state.watching or self._parts.camera.trouble

    def _show(self) -> None:
        """Say how things are: to the service manager, and by the lamp."""
        now, monitor = self._parts.process_clock.now(), self._parts.monitor
        if now.mono_s - self._status_at_s >= 1.0:
            self._status_at_s = now.mono_s
            self._parts.notifier.status(self.status())
            if monitor is not None:
                monitor.show(seeing=bool(self.state.visits.tracks), **self._parts.visit_store.sending())

    def doing(self) -> str:
        """What it does at present, in a few words."""
        if self._opening:
            return "opening the camera"
        if self._heat.closed:
            return "resting until it has cooled"
        if self._parts.camera.trouble:
            return "camera lost, trying again"
        doing = "watching" if self.state.watching else "resting until the watch hours"
        return f"{doing}, without its classifier" if self._sight.away else doing

    def status(self) -> str:
        """One line on how things are."""
        hush = f", {self._hush}" if self._hush else ""
        stored = self._parts.visit_store.status()
        return f"{self.doing()}{hush}; {self.frames} frames, {self.looks} looks, {stored}"
