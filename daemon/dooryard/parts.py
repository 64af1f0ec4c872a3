"""What the service is made of, and whether every part of it is alive."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dooryard.camera.keeper import CameraKeeper
from dooryard.care import Care
from dooryard.classify.base import Classifier
from dooryard.clock import Clock
from dooryard.ledger import Ledger
from dooryard.lessons import Lessons
from dooryard.notify import Notifier
from dooryard.outbox.delivery import Delivery
from dooryard.pipeline import Conditions
from dooryard.recorder import Recorder
from dooryard.records import Moment
from dooryard.timed import Timed

SILENT_S = 60.0  # a frame loop that has not turned for so long hangs


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
    reread: Callable[[Conditions], tuple[Conditions, str]] | None = None  # the policy, when asked to
    lessons: Lessons | None = None  # what people say of visits; None: nothing is learned from it
    turned_s: float | None = None  # when the frame loop last turned, by the process clock


def stuck_part(parts: Parts, now: Moment) -> str | None:
    """Which thread has ended or hangs, in words; None: all are alive. `now` by the process clock.

    The frame loop asks this itself, so it is not among them: when it hangs, nobody pats the watchdog.
    """
    sink = parts.delivery.stuck()
    if sink is not None:
        return f"the delivery to {sink!r}"
    desk = parts.care.desk if parts.care else None
    if desk is None or desk.alive(now):
        return None
    sensor = desk.stuck(now)
    return "the sensors' thread, which has ended" if sensor is None else f"the sensor {sensor!r}"


def is_well(parts: Parts) -> bool:
    """Whether frames come and every thread is alive: for the heartbeat, which asks from its own thread."""
    now = parts.process_clock.now()
    turning = parts.turned_s is None or now.mono_s - parts.turned_s < SILENT_S
    return turning and not parts.camera.trouble and stuck_part(parts, now) is None
