"""Times and dates as the place's own clock has them, in words. Pure."""

from __future__ import annotations

from datetime import datetime

from dooryard.policy.schema import Policy


def local_time(policy: Policy, wall: datetime) -> str:
    """Clock time at the place: "14:03"."""
    return f"{wall.astimezone(policy.place.zone):%H:%M}"


def local_day(policy: Policy, wall: datetime) -> str:
    """Date at the place: "14 June"."""
    day = wall.astimezone(policy.place.zone)
    return f"{day.day} {day:%B}"
