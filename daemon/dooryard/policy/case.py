"""What one decision looks at, and what both sides of it need. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from dooryard.core.records import Moment, Visit
from dooryard.policy.schema import ALL_SINKS, Policy, Rule
from dooryard.policy.state import PolicyState

_MOST_NAMES = 4


@dataclass(frozen=True, slots=True)
class Case:
    """What one decision looks at."""

    policy: Policy
    state: PolicyState
    visit: Visit
    now: Moment
    clock_set: bool
    sinks: frozenset[str]
    group_of: Mapping[str, str]
    lasting: Sequence[Visit] = ()  # visits that have settled and last
    muted_until: datetime | None = None


@lru_cache(maxsize=256)
def sinks_for(send_to: tuple[str, ...], sinks: frozenset[str]) -> tuple[str, ...]:
    """The sinks of the box that a `send_to` names, in its order."""
    named = sorted(sinks) if ALL_SINKS in send_to else send_to
    return tuple(dict.fromkeys(name for name in named if name in sinks))


def day_of(policy: Policy, now: Moment, clock_set: bool) -> str:
    """The local date, or "" while the clock is not set."""
    return now.wall.astimezone(policy.place.zone).date().isoformat() if clock_set else ""


def is_for(rule: Rule) -> str:
    return f'rule "{rule.name}" is for {listed(rule.visitor)}'


def listed(names: Sequence[str]) -> str:
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
