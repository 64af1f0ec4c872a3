"""The edge: where the real parts are built, joined, started and stopped.

Read `run` from the top: it is the start and the end of the service.
"""

from __future__ import annotations

import contextlib
import ctypes
import logging
import resource
import signal
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import FrameType
from typing import TypeVar

from dooryard import build, log
from dooryard.box import parse_box
from dooryard.camera.base import Camera
from dooryard.camera.keeper import CameraKeeper, Patience
from dooryard.check import read_text
from dooryard.classify.known import known_visitors
from dooryard.clock import Clock, FrameClock, SystemClock
from dooryard.daybook import Daybook
from dooryard.gate.tally import totals
from dooryard.ledger import Ledger
from dooryard.log import say
from dooryard.loop import Loop, Parts
from dooryard.notify import Notifier
from dooryard.outbox.delivery import Delivery
from dooryard.outbox.store import Store
from dooryard.policy.document import Parsed
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.records import Moment
from dooryard.sensors.clock_state import clock_is_set
from dooryard.timed import LiveTimed, RecordedTimed, Timed

T = TypeVar("T")
_log = logging.getLogger("dooryard")
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8  # malloc.h
_FLUSH_S = 30.0  # the longest that the end of a recording waits for its deliveries
_STOP_FLUSH_S = 5.0  # the same when told to stop: what is left is stored and goes out at the next start


def run(
    box_file: Path, policy_file: Path | None, environ: Mapping[str, str], *, verbose: bool = False
) -> int:
    """Watch until SIGTERM, SIGINT or the end of a recording. Returns the exit code.

    Raises a `DooryardError` for whatever keeps it from starting, and when the camera stays away.
    """
    log.set_up(environ, verbose=verbose)
    _keep_memory_flat()
    base = box_file.resolve().parent
    box = _told(parse_box(read_text(box_file), str(box_file)))
    visitors, group_of = known_visitors(build.card_path(box, base))
    policy = Policy()
    if policy_file is not None:
        sinks = frozenset(sink.name for sink in box.sink)
        text = read_text(policy_file)
        policy = _told(
            parse_policy(text, str(policy_file), sinks=sinks, visitors=visitors, group_of=group_of)
        )
    system, stop, notifier = SystemClock(), threading.Event(), Notifier(environ)
    with contextlib.ExitStack() as stack:
        stack.enter_context(_signals(stop))
        store = stack.enter_context(contextlib.closing(Store.open(base / box.state_folder, system)))
        for note in store.notes:
            say(_log, logging.WARNING, "store", note=note)
        delivery = Delivery(store, build.sinks(box, base, environ), system, _log)
        classifier = build.classifier(box, base)
        camera = build.camera(box, base, system)
        keeper = stack.enter_context(
            contextlib.closing(CameraKeeper(camera, Patience(box.camera.stall_after_s)))
        )
        keeper.open(build.last_frame(store))
        delivery.start()
        stack.callback(delivery.stop)
        clock, timed, clock_set = _times(camera, keeper, system)
        stack.callback(timed.close)
        now, boot = clock.now(), build.boot_id(live=camera.live)
        rules = build.conditions(box, policy, clock_set=clock_set)
        state = build.state(store, box, rules, now, boot)
        daybook = stack.enter_context(contextlib.closing(Daybook(store.folder)))
        daybook.began(now, build.last_frame(store), state.gate, policy)
        ledger = Ledger(store, daybook, delivery.wake, boot)
        parts = Parts(keeper, classifier, ledger, delivery, clock, timed, notifier, system)
        loop = Loop(parts, state, rules, stop)
        say(_log, logging.INFO, "ready", box=box.name, camera=camera.name, state=store.folder)
        notifier.ready("watching")
        loop.run()
        notifier.stopping()
        keeper.close()
        delivery.drain(_STOP_FLUSH_S if stop.is_set() else _FLUSH_S)
        _last_words(loop, ledger)
    return 0


def _told(parsed: Parsed[T]) -> T:
    """The value, its warnings said."""
    for warning in parsed.warnings:
        say(_log, logging.WARNING, "file", warning=warning)
    return parsed.value


def _keep_memory_flat() -> None:
    """Have the C library hand freed memory back.

    By default glibc's malloc raises its thresholds each time a large block is freed, and keeps a heap for
    each thread (mallopt(3)); with pictures and layers of many sizes the process then grows for hours
    without leaking anything. Four megabytes leave room for a network's layers without a fault for each.
    """
    with contextlib.suppress(OSError, AttributeError):  # another C library has its own ways
        libc = ctypes.CDLL("libc.so.6")
        libc.mallopt(_M_TRIM_THRESHOLD, 4 * 1024 * 1024)
        libc.mallopt(_M_MMAP_THRESHOLD, 4 * 1024 * 1024)
        libc.mallopt(_M_ARENA_MAX, 1)


@contextlib.contextmanager
def _signals(stop: threading.Event) -> Iterator[None]:
    """While inside, SIGTERM and SIGINT ask for an orderly stop."""

    def asked(number: int, _frame: FrameType | None) -> None:
        say(_log, logging.INFO, "asked to stop", signal=signal.Signals(number).name)
        stop.set()

    before = {number: signal.signal(number, asked) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _times(camera: Camera, keeper: CameraKeeper, system: SystemClock) -> tuple[Clock, Timed, bool]:
    """The pipeline's clock, its timed work, and whether its wall clock is to be believed."""
    if camera.live:
        now = system.now()
        return system, LiveTimed(now), clock_is_set(now.wall)
    first = keeper.peek()
    clock = FrameClock(Moment(first.wall, first.mono_s) if first else system.now())
    return clock, RecordedTimed(clock.now()), True


def _last_words(loop: Loop, ledger: Ledger) -> None:
    if loop.state.gate is not None:
        for reason, count in totals(loop.state.gate.tally).items():
            if reason is not None and count:
                say(_log, logging.INFO, "held back by the gate", reason=reason.value, times=count)
    tally = ledger.tally
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
    say(
        _log,
        logging.INFO,
        "stopped",
        frames=loop.frames,
        looks=loop.looks,
        nobody=loop.nobody,
        visits=tally.visits,
        told=tally.told,
        lost=tally.lost,
        peak_memory_mb=round(peak_mb),
    )
