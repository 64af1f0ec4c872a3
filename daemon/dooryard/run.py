"""The edge: the only place that builds real cameras, clocks, models, stores and sinks.

Read `run` from the top: it is the start and the end of the service.
"""

from __future__ import annotations

import contextlib
import logging
import os
import resource
import signal
import threading
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from types import FrameType

from dooryard import gate, log
from dooryard.box import BoxFile, parse_box
from dooryard.camera.keeper import CameraKeeper, Patience
from dooryard.camera.registry import build as build_camera
from dooryard.check import read_text
from dooryard.classify.base import Classifier
from dooryard.clock import Clock, FrameClock, SystemClock
from dooryard.log import say
from dooryard.loop import Loop, Parts
from dooryard.notify import Notifier
from dooryard.outbox.delivery import Delivery
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from dooryard.records import Moment
from dooryard.sensors.clock_state import clock_is_set
from dooryard.timed import LiveTimed, RecordedTimed
from dooryard.visits import VisitSettings, VisitsState

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
    box = _told(parse_box(read_text(box_file), str(box_file)))
    policy = _policy(policy_file, frozenset(sink.name for sink in box.sink))
    system, stop = SystemClock(), threading.Event()
    with contextlib.ExitStack() as stack:
        stack.enter_context(_signals(stop))
        notifier = Notifier(environ)
        folder = (box_file.parent / box.state_folder).resolve()
        store = stack.enter_context(contextlib.closing(Store.open(folder, system)))
        for note in store.notes:
            say(_log, logging.WARNING, "store", note=note)
        classifier = _classifier(box, box_file.parent)
        delivery = _delivery(box, store, system, environ)
        camera = CameraKeeper(_camera(box, box_file.parent, system), Patience(box.camera.stall_after_s))
        stack.callback(camera.close)
        camera.open(_last_frame(store))
        delivery.start()
        stack.callback(delivery.stop)
        clock: Clock = system if camera.camera.live else FrameClock(_recording_start(store, system))
        now = clock.now()
        timed = stack.enter_context(
            contextlib.closing(LiveTimed(now) if camera.camera.live else RecordedTimed(now))
        )
        parts = Parts(camera, classifier, store, delivery, clock, timed, notifier, system)
        loop = Loop(parts, _state(store, box, now), _conditions(box, policy, camera.camera.live), stop)
        say(_log, logging.INFO, "ready", box=box.name, camera=camera.camera.name, state=folder)
        notifier.ready("watching")
        loop.run()
        notifier.stopping()
        camera.close()
        sent = delivery.drain(_STOP_FLUSH_S if stop.is_set() else _FLUSH_S)
        _last_words(loop, delivery, sent=sent)
    return 0
