"""When the journal is to be built again. Pure: values in, a new value out; times are monotonic seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from dooryard.box.file import When


@dataclass(frozen=True, slots=True)
class PaceRules:
    """How often. "after visits" builds at a day's end, too."""

    when: When = "after visits"
    settle_s: float = 300.0  # after a visit ended: more may come, and one build serves them all
    every_s: float = 1800.0  # the least between two builds


@dataclass(frozen=True, slots=True)
class PendingChanges:
    """What has happened that the journal does not show yet."""

    waits_since_s: float | None = None  # the first change that it lacks
    changed_s: float | None = None  # the newest
    day_over: bool = False  # a day has ended since the last build
    begun_s: float = -math.inf  # the last build


def changed(pace: PendingChanges, now_s: float) -> PendingChanges:
    """A visit ended, or the service has just started and does not know what the journal lacks."""
    first = now_s if pace.waits_since_s is None else pace.waits_since_s
    return replace(pace, waits_since_s=first, changed_s=now_s)


def day_over(pace: PendingChanges) -> PendingChanges:
    """The watch hours are over, or midnight has passed."""
    return replace(pace, day_over=True)


def begun(now_s: float) -> PendingChanges:
    """A build has begun: it takes in all that has happened until now."""
    return PendingChanges(begun_s=now_s)


def failed(pace: PendingChanges) -> PendingChanges:
    """The build came to nothing: it is due again after the usual time."""
    return replace(pace, day_over=True)


def due(pace: PendingChanges, rules: PaceRules, now_s: float) -> bool:
    """Whether a build should begin now.

    It waits until it has been quiet for `settle_s`, but where visitors come and go all the time no longer
    than `every_s`.
    """
    if rules.when == "never" or now_s - pace.begun_s < rules.every_s:
        return False
    if pace.day_over:
        return True
    if rules.when == "daily" or pace.changed_s is None or pace.waits_since_s is None:
        return False
    return now_s - pace.changed_s >= rules.settle_s or now_s - pace.waits_since_s >= rules.every_s
