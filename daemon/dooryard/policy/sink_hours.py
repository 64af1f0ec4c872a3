"""Quiet hours and summaries of each sink. Pure.

Where a sink has no quiet hours of its own, those of [hours] hold for it; so with its summary.
"""

from __future__ import annotations

from datetime import datetime

from dooryard.policy.hours import is_open, quiet_ends, quiet_until
from dooryard.policy.schema import ALL_SINKS, OwnSink, Policy, Window
from dooryard.policy.times import TimeOfDay


def own(policy: Policy, sink: str) -> OwnSink | None:
    """What the policy says of `sink` alone."""
    return next((each for each in policy.sink if each.name == sink), None)


def quiet_of(policy: Policy, sink: str) -> tuple[Window, ...]:
    """The quiet hours of `sink`."""
    its = own(policy, sink)
    return policy.hours.quiet if its is None or its.quiet is None else its.quiet


def have_own_quiet(policy: Policy) -> bool:
    """Whether quiet hours differ from sink to sink."""
    return any(each.quiet is not None for each in policy.sink)


def as_for(policy: Policy, sink: str) -> Policy:
    """`policy` with the quiet hours of `sink` as its [hours] quiet."""
    windows = quiet_of(policy, sink)
    if windows == policy.hours.quiet:
        return policy
    return policy.model_copy(update={"hours": policy.hours.model_copy(update={"quiet": windows})})


def is_quiet(policy: Policy, sink: str, wall: datetime, clock_set: bool) -> bool:
    """Whether alerts to `sink` are to wait at `wall`."""
    return clock_set and is_open(quiet_of(policy, sink), policy.place, wall)


def until(policy: Policy, sink: str, wall: datetime) -> datetime | None:
    """When the quiet hours of `sink` that hold at `wall` end (UTC); None: not within a day."""
    return quiet_until(as_for(policy, sink), wall)


def stretch(policy: Policy, sink: str, wall: datetime) -> str:
    """A name for the stretch of the quiet hours of `sink` that holds at `wall`: its end."""
    return str(quiet_ends(as_for(policy, sink), wall))


def has_own_summary(policy: Policy, sink: str) -> bool:
    """Whether `sink` gets its summary at an hour of its own, or expressly never."""
    its = own(policy, sink)
    return its is not None and its.summary_at is not None


def summary_at(policy: Policy, sink: str) -> TimeOfDay | None:
    """When `sink` gets its summary; None: never."""
    its = own(policy, sink)
    if its is not None and its.summary_at is not None:
        return its.summary_at if isinstance(its.summary_at, TimeOfDay) else None  # else it says "never"
    named = sink in policy.summary.send_to or ALL_SINKS in policy.summary.send_to
    return policy.summary.at if named else None


def instead_of(policy: Policy, sink: str) -> tuple[str, float] | None:
    """The sink that gets alerts which `sink` could not be given, and after how many seconds."""
    its = own(policy, sink)
    return None if its is None or its.instead is None else (its.instead, 60 * its.instead_after_min)
