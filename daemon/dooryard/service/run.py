"""The edge: where the real parts are built, joined, started and stopped.

Read `run` from the top: it is the start and the end of the service. Longer than most modules, so that
both stand in one place.
"""

from __future__ import annotations

import contextlib
import faulthandler
import logging
import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType
from typing import Any, TypeVar

from dooryard.box.file import BoxFile, parse_box, telling
from dooryard.camera.base import Camera
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.config.toml_document import Parsed
from dooryard.core import log
from dooryard.core.clock import Clock, FrameClock, SystemClock
from dooryard.core.errors import StuckError
from dooryard.core.log import say
from dooryard.core.malloc import keep_memory_flat
from dooryard.core.records import Moment
from dooryard.core.text_files import read_text
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.sensors.clock_state import clock_is_set
from dooryard.service import build, restore, shutdown
from dooryard.service.activity_log import ActivityLog
from dooryard.service.build import recorder_of
from dooryard.service.failover import feedback_of
from dooryard.service.journal_scheduler import scheduler_of
from dooryard.service.last_words import last_words
from dooryard.service.loop import Loop
from dooryard.service.parts import Parts, is_well
from dooryard.service.policy_file import gauges_of, reread, rereader
from dooryard.service.saving import RECORDING
from dooryard.service.scheduler import LiveScheduler, RecordedScheduler, Scheduler
from dooryard.service.systemd import Notifier
from dooryard.service.visit_store import VisitStore

T = TypeVar("T")
_log = logging.getLogger("dooryard")
_FLUSH_S = 30.0  # the longest that the end of a recording waits for its deliveries
_STOP_FLUSH_S = 5.0  # the same when told to stop: what is left is stored and goes out at the next start


def run(
    box_file: Path, policy_file: Path | None, environ: Mapping[str, str], *, verbose: bool = False
) -> int:
    """Watch until SIGTERM, SIGINT or the end of a recording. Returns the exit code.

    Raises a `DooryardError` for whatever keeps it from starting, and when the camera stays away.
    """
    log.set_up(environ, verbose=verbose)
    keep_memory_flat()
    faulthandler.enable()  # the watchdog's SIGABRT then prints where every thread stands
    given = _given(box_file, policy_file)
    system, stop, notifier = SystemClock(), threading.Event(), Notifier(environ)
    with contextlib.ExitStack() as stack:
        reload = stack.enter_context(_signals(stop))
        notifier.starting("the store")
        store = stack.enter_context(
            contextlib.closing(Store.open(given.state_folder, system, boot=restore.boot_id()))
        )
        for note in (note for note in store.notes if note not in store.damages):  # those are told
            say(_log, logging.WARNING, "store", note=note)
        parts, state, rules = _parts(stack, given, store, environ, system, notifier)
        loop = Loop(parts, state, rules, stop, reload)
        loop.hear_the_mute(parts.clock.now())  # before anything goes out
        parts.dispatcher.hold_by(loop.holds)
        parts.dispatcher.pass_on_by(loop.instead)
        if loop.open_camera():
            _ready(loop, parts, given, store)
            loop.run()
        notifier.stopping()
        if loop.halting:
            _halt(loop, parts, store, system)
        else:
            _stop(loop, parts, asked=stop.is_set())
        last_words(loop, parts.visit_store)
    return 0


def _ready(loop: Loop, parts: Parts, given: _Given, store: Store) -> None:
    camera = parts.camera.camera.name
    say(_log, logging.INFO, "ready", box=given.box.name, camera=camera, state=store.folder)
    parts.notifier.ready("watching")
    loop.tell("start", f"watching with the camera {camera}", parts.clock.now())
    trouble = build.names_trouble(parts.classifier)
    if trouble is not None:
        loop.tell("classifier", trouble, parts.clock.now())
    for text in parts.visit_store.damages():
        loop.tell("disk", text, parts.clock.now())


@dataclass(frozen=True, slots=True)
class _Given:
    """What the two files say."""

    box: BoxFile
    box_file: Path
    policy_file: Path | None
    policy: Policy
    read_policy: Callable[[], tuple[Policy | None, str]] | None  # again; None: the built-in one
    group_of: Mapping[str, str] = field(default_factory=dict)  # group of each species' name

    @property
    def base(self) -> Path:
        """What relative paths in the box file are relative to."""
        return self.box_file.parent

    @property
    def state_folder(self) -> Path:
        return self.base / self.box.state_folder


def _given(box_file: Path, policy_file: Path | None) -> _Given:
    """Read both files. Raises ConfigError with every problem."""
    box_file = box_file.resolve()
    box = _told(parse_box(read_text(box_file), str(box_file)))
    if policy_file is None:
        return _Given(box, box_file, None, Policy(), None)

    def known() -> dict[str, Any]:  # again each time, as names are taught while it runs
        visitors, group_of = build.visitors_if_known(box, box_file.parent)
        return {
            "sinks": telling(box),
            "visitors": visitors,
            "group_of": group_of,
            "sensors": gauges_of(box),
        }

    now = known()
    policy = _told(parse_policy(read_text(policy_file), str(policy_file), **now))
    return _Given(box, box_file, policy_file, policy, lambda: reread(policy_file, **known()), now["group_of"])


def _parts(
    stack: contextlib.ExitStack,
    given: _Given,
    store: Store,
    environ: Mapping[str, str],
    system: SystemClock,
    notifier: Notifier,
) -> tuple[Parts, State, Conditions]:
    """Build and start every part, each to be ended by `stack`; and what the last run left.

    Longer than most: the order in which the parts are made is told in one place.
    """
    box, base = given.box, given.base
    notifier.starting("the camera's library and the sinks")
    camera = build.camera(box, base, system)
    dispatcher = build.dispatcher(box, base, store, system, environ, live=camera.live)
    notifier.starting("the classifier")
    classifier = build.classifier_or_late(box, base, given.policy.place)
    notifier.starting("the camera")
    supervisor = stack.enter_context(
        contextlib.closing(CameraSupervisor(camera, Patience(box.camera.stall_after_s)))
    )
    last_frame = restore.last_frame(store)
    if not camera.live:
        supervisor.open(last_frame)  # a live one is opened by the loop, which has more to do meanwhile
    dispatcher.hold_by(lambda _sink, _kind, _made: True)  # until the loop knows what hour it is
    dispatcher.start()
    stack.callback(dispatcher.stop)
    clock, timed, clock_set = _times(camera, supervisor, system)
    stack.callback(timed.close)
    notifier.starting("what the last run left")
    now, boot = clock.now(), restore.boot_id() if camera.live else RECORDING
    rules = build.conditions(box, given.policy, clock_set=clock_set, numbers=build.numbers_of(classifier))
    rules = replace(rules, group_of=given.group_of)
    recording = None if camera.live else restore.recording(box, base)
    state = restore.state(store, box, classifier.card, rules, now, boot, recording)
    activity_log = stack.enter_context(contextlib.closing(ActivityLog(store.folder)))
    activity_log.began(now, last_frame, state.gate, given.policy)
    rules = replace(rules, muted_until=activity_log.muted_until(None))
    visit_store = VisitStore(store, activity_log, dispatcher.wake, boot, now)
    parts = Parts(supervisor, classifier, visit_store, dispatcher, clock, timed, notifier, system)
    parts.feedback = feedback_of(store.folder, classifier, lambda card: restore.known_place(store, card))
    parts.reread = given.read_policy and rereader(given.read_policy)
    beat = build.heartbeat(box, system, environ, lambda: is_well(parts))
    if beat is not None:
        beat.start()
        stack.callback(beat.stop)
    if camera.live:
        notifier.starting("the sensors and the button")
        parts.monitor = build.monitor(box, store, system)
        parts.monitor.restore(store.load_state("welfare"), now)
        parts.monitor.start()
        stack.callback(parts.monitor.stop)
        parts.recorder = recorder_of(box, base)
        if parts.recorder is not None:
            stack.callback(parts.recorder.close)
        parts.journal = scheduler_of(box, given.box_file, given.policy_file, system, visit_store)
        if parts.journal is not None:
            stack.callback(parts.journal.stop)
    return parts, state, rules


def _stop(loop: Loop, parts: Parts, *, asked: bool) -> None:
    """The end without a halt: told to, or the recording is over."""
    if asked:
        loop.tell("stop", "told to stop", parts.clock.now())
    loop.finish()
    parts.camera.close()  # after what must not be lost: its driver may hang
    parts.dispatcher.drain(_STOP_FLUSH_S if asked else _FLUSH_S)


def _halt(loop: Loop, parts: Parts, store: Store, system: SystemClock) -> None:
    """The orderly halt. Raises StuckError when the board would not go off, so that it is started again.

    Longer than most: each stage stands beside what does it.
    """

    def done(work: Callable[[], object]) -> shutdown.Action:
        def act(_within_s: float) -> None:
            work()

        return act

    def flush(within_s: float) -> str | None:
        sent = parts.dispatcher.drain(within_s)
        return None if sent else "some alerts wait for the next start"

    def close_store() -> None:
        if parts.recorder is not None:
            parts.recorder.close()
        if parts.journal is not None:
            parts.journal.stop()
        parts.dispatcher.stop()
        store.close()

    actions: dict[shutdown.Stage, shutdown.Action] = {
        shutdown.Stage.END_VISITS: done(loop.finish),
        shutdown.Stage.STORE_STATE: done(lambda: None),  # `finish` has stored it
        shutdown.Stage.TELL: done(lambda: loop.tell("halt", "halting; wait for the lamp", parts.clock.now())),
        shutdown.Stage.SYNC_VISITS: done(os.sync),
        shutdown.Stage.STOP_CAMERA: done(parts.camera.close),
        shutdown.Stage.FLUSH: flush,
        shutdown.Stage.CLOSE_STORE: done(close_store),
        shutdown.Stage.SYNC: done(os.sync),
        shutdown.Stage.POWER_OFF: shutdown.power_off,
    }
    if parts.monitor is not None:
        parts.monitor.show(halting=True, seeing=False, sending=False, late=False)
    steps = shutdown.plan()
    parts.notifier.allow(sum(step.within_s for step in steps) + 10.0)
    halted = shutdown.carry_out(steps, actions, system)
    if not halted.powering_off:
        raise StuckError(
            f"the board was to halt and did not go off: {'; '.join(halted.faults)}",
            "see systemd/50-dooryard.rules; everything is stored, so the plug may be pulled",
        )


def _told(parsed: Parsed[T]) -> T:
    """The value, its warnings said."""
    for warning in parsed.warnings:
        say(_log, logging.WARNING, "file", warning=warning)
    return parsed.value


@contextlib.contextmanager
def _signals(stop: threading.Event) -> Iterator[threading.Event]:
    """While inside, SIGTERM and SIGINT ask for an orderly stop, SIGHUP sets the event that is given."""
    reload = threading.Event()

    def asked(number: int, _frame: FrameType | None) -> None:
        # Logging here could meet the main thread in the middle of a line of its own.
        (reload if number == signal.SIGHUP else stop).set()

    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    before = {number: signal.signal(number, asked) for number in numbers}
    try:
        yield reload
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _times(
    camera: Camera, supervisor: CameraSupervisor, system: SystemClock
) -> tuple[Clock, Scheduler, bool]:
    """The pipeline's clock, its timed work, and whether its wall clock is to be believed."""
    if camera.live:
        now = system.now()
        return system, LiveScheduler(now), clock_is_set(now.wall)
    first = supervisor.peek()
    clock = FrameClock(Moment(first.wall, first.mono_s) if first else system.now())
    return clock, RecordedScheduler(clock.now()), True
