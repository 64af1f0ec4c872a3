"""What waits in the outbox for quiet hours, a pause or a mute to end. Pure.

Quiet hours hold what is on its way, whatever made it late: an alert on a visit, a message about the box, a
summary that the network delayed. They don't hold what is urgent, a summary whose own hour is within them,
for that hour was chosen, nor the journal's pages, which make no noise. A pause or a mute holds summaries as
all the rest.
"""

from __future__ import annotations

from datetime import datetime

from dooryard.policy.hours import quiet
from dooryard.policy.mute import hushed
from dooryard.policy.schema import Policy

_NEVER_HELD = "journal"
_SUMMARY = "summary"


def held_back(
    policy: Policy,
    kind: str,
    made: datetime | None,
    wall: datetime,
    *,
    clock_set: bool,
    muted_until: datetime | None = None,
) -> bool:
    """Whether an alert of `kind` that is not urgent waits at `wall`; `made` is when, None: not known."""
    if kind == _NEVER_HELD:
        return False
    if hushed(policy, muted_until, wall, clock_set):
        return True
    if not quiet(policy, wall, clock_set):
        return False
    return not (kind == _SUMMARY and made is not None and quiet(policy, made, clock_set))
