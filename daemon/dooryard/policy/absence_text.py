"""What is said when nobody came, and when somebody has come after all. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from dooryard.core.records import SOMETHING, Absent, Alert, Moment
from dooryard.core.wording import duration, sentence, spoken, with_article
from dooryard.policy.case import listed, sinks_for
from dooryard.policy.fields import ANYTHING, NOT_SURE
from dooryard.policy.local_time import local_day, local_time
from dooryard.policy.schema import Absence, Policy

_DAY_S = 86400.0
_CALLED = {NOT_SURE: "visitor of no certain name", SOMETHING: "unclassified visitor"}


def absence_alert(
    policy: Policy, told: Absent, now: Moment, clock_set: bool, sinks: frozenset[str]
) -> Alert | None:
    """The message; None where the policy names no sink of the box for it, or no longer has the absence."""
    absence = next((each for each in policy.absence if each.name == told.absence), None)
    to = () if absence is None else sinks_for(absence.send_to, sinks)
    if absence is None or not to:
        return None
    return Alert(
        id=told.id,
        kind="absence",
        wall=now.wall,
        clock_set=clock_set,
        title=title_of(policy, absence, told),
        text=text_of(policy, absence, told, now, clock_set),
        sinks=to,
        visitor=told.visitor,
        urgent=absence.urgent,
    )


def title_of(policy: Policy, absence: Absence, told: Absent) -> str:
    """Text like "No bird at Alder Row by 10:00", "A wren has come to Alder Row"."""
    place = policy.place.name
    if told.visitor is not None:
        return sentence(f"{_followed(spoken(told.visitor))} has come to {place}")
    return f"{nobody(absence.visitor)} at {place} {_when(policy, absence, told)}"


def text_of(policy: Policy, absence: Absence, told: Absent, now: Moment, clock_set: bool) -> str:
    """One or two sentences."""
    place = policy.place.name
    if told.visitor is not None:
        has_come = f"{_followed(spoken(told.visitor))} has come"
        if told.since is None or not clock_set:
            return f"{sentence(has_come)}."
        return f"After {span((now.wall - told.since).total_seconds())}: {has_come}."
    day = " today" if told.by is not None else ""
    last = ""
    if told.came and told.since is not None:
        last = f" The last came on {local_day(policy, told.since)} at {local_time(policy, told.since)}."
    return f"{nobody(absence.visitor)} has come to {place} {_when(policy, absence, told)}{day}.{last}"


def nobody(names: Sequence[str]) -> str:
    """Text like "Nobody", "No bird", "No wren or robin"."""
    if ANYTHING in names:
        return "Nobody"
    called = [_CALLED.get(name) or with_article(name).partition(" ")[2] for name in names]
    if len(called) <= 4:
        return f"No {' or '.join(called)}"
    return f"No {listed(called)}"


def span(seconds: float) -> str:
    """A long time in words: "40 min", "19 h", "2 days"."""
    if seconds < 2 * 3600:
        return duration(60 * max(1, round(seconds / 60)))
    if seconds < 1.5 * _DAY_S:
        return f"{round(seconds / 3600)} h"
    return f"{round(seconds / _DAY_S)} days"


def _when(policy: Policy, absence: Absence, told: Absent) -> str:
    if told.by is not None:
        return f"by {local_time(policy, told.by)}"
    return f"in {absence.after_h or 0:g} h of watching"


def _followed(name: str) -> str:
    return f"{name}," if "," in name else name
