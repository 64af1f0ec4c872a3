"""What the service is made of, and whether all of it is well."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dooryard.camera.supervisor import CameraSupervisor
from dooryard.classify.base import Classifier
from dooryard.core.clock import Clock
from dooryard.health.monitor import Monitor
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.pipeline import Conditions
from dooryard.recording.writer import Recorder
from dooryard.service.journal_scheduler import JournalScheduler
from dooryard.service.scheduler import Scheduler
from dooryard.service.systemd import Notifier
from dooryard.service.visit_store import VisitStore
from dooryard.teaching.feedback import Feedback

SILENT_S = 60.0  # a frame loop that has not turned for so long hangs


@dataclass(slots=True)
class Parts:
    """What `run` built."""

    camera: CameraSupervisor
    classifier: Classifier
    visit_store: VisitStore
    dispatcher: Dispatcher
    clock: Clock
    timed: Scheduler
    notifier: Notifier
    process_clock: Clock  # real time, for the watchdog and the status line
    monitor: Monitor | None = None  # None: a recording, which says nothing of a box
    recorder: Recorder | None = None  # None: the box makes no recording
    journal: JournalScheduler | None = None  # None: a recording, or it is built only when asked to
    reread: Callable[[Conditions], tuple[Conditions, str]] | None = None  # the policy, when asked to
    feedback: Feedback | None = None  # what people say of visits; None: nothing is learned from it
    ticked_s: float | None = None  # when the frame loop last turned, by the process clock


def is_well(parts: Parts) -> bool:
    """Whether frames come and every thread is alive: for the heartbeat, which asks from its own thread."""
    now = parts.process_clock.now()
    ticking = parts.ticked_s is None or now.mono_s - parts.ticked_s < SILENT_S
    sensing = parts.monitor is None or parts.monitor.poller.alive(now)
    return ticking and sensing and parts.dispatcher.alive() and not parts.camera.trouble
