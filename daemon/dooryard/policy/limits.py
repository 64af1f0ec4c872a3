"""What speaks against telling a visit: sinks, cooldown, caps, pause and mute, quiet hours. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from dooryard.core.records import Clause
from dooryard.core.wording import duration
from dooryard.policy.case import Case, listed
from dooryard.policy.hours import quiet, quiet_until
from dooryard.policy.local_time import local_time
from dooryard.policy.mute import hushed
from dooryard.policy.schema import ALL_SINKS, Rule
from dooryard.policy.state import PolicyState

HOUR_S = 3600.0


def sinks_known(rule: Rule, sinks: tuple[str, ...]) -> Clause:
    if not rule.send_to:
        return Clause("sinks", False, f'rule "{rule.name}" tells nobody')
    if not sinks:
        which = "" if ALL_SINKS in rule.send_to else f" called {listed(rule.send_to)}"
        return Clause("sinks", False, f"the box has no sink{which}")
    return _to(sinks)


# What is said again at each decision is written once.
@lru_cache(maxsize=256)
def _to(sinks: tuple[str, ...]) -> Clause:
    return Clause("sinks", True, f"to {', '.join(sinks)}")


@lru_cache(maxsize=256)
def _no_cooldown(cooldown_s: float, *, has_begun: bool) -> Clause:
    return Clause(
        "cooldown", True, f"cooldown of {duration(cooldown_s)} {'is over' if has_begun else 'has not begun'}"
    )


_NOT_QUIET = Clause("quiet", True, "no quiet hours now")


def cooldown(case: Case, rule: Rule, own: PolicyState) -> Clause:
    """Whether it is over; `own` is the state with the alerts of `rule` alone."""
    whose = case.visit.visitor.key if rule.cooldown_per == "visitor" else None
    last_s = own.last_told_s(rule.name, whose)
    cooldown_s = rule.cooldown_min * 60
    if last_s is None:
        return _no_cooldown(cooldown_s, has_begun=False)
    left_s = cooldown_s - (case.now.mono_s - last_s)
    if left_s > 0:
        text = f"cooldown of {duration(cooldown_s)} has {duration(left_s)} left"
        return Clause("cooldown", False, text)
    return _no_cooldown(cooldown_s, has_begun=True)


def caps(case: Case, rule: Rule, own: PolicyState, day: str) -> Iterator[Clause]:
    """How many it has told; `own` as for `cooldown`, `day` as `day_of` has it."""
    when = "today" if day else "in 24 h (the clock is not set)"
    if rule.only_first_of_day:
        visitor = case.visit.visitor.key
        earlier = own.told_on(rule.name, day, case.now.mono_s, visitor)
        yield Clause(
            "first of day",
            earlier == 0,
            f'rule "{rule.name}" has told of this visitor {"already" if earlier else "not yet"} {when}',
        )
    if rule.at_most_per_hour is not None:
        told = own.told_within(rule.name, case.now.mono_s, HOUR_S)
        yield Clause(
            "hourly cap",
            told < rule.at_most_per_hour,
            f'rule "{rule.name}" has told {told} of at most {rule.at_most_per_hour} in 60 min',
        )
    told = own.told_on(rule.name, day, case.now.mono_s)
    yield Clause(
        "cap",
        told < rule.at_most_per_day,
        f'rule "{rule.name}" has told {told} of at most {rule.at_most_per_day} {when}',
    )


def hushed_now(case: Case, rule: Rule) -> Clause:
    """Whether a pause or a mute speaks against it. Asked only where there is one."""
    if rule.urgent:
        return Clause("pause", True, f'rule "{rule.name}" is urgent, so a pause or a mute does not count')
    if not case.clock_set:
        return Clause("pause", True, "the clock is not set, so a pause or a mute does not count")
    hush = hushed(case.policy, case.muted_until, case.now.wall, case.clock_set)
    if hush is None:
        return Clause("pause", True, "neither a pause nor a mute now")
    return Clause(hush.name, False, hush.text)


def quiet_now(case: Case, rule: Rule) -> Clause:
    if rule.urgent:
        return Clause("quiet", True, f'rule "{rule.name}" is urgent, so quiet hours don\'t count')
    if not case.clock_set:
        return Clause("quiet", True, "the clock is not set, so quiet hours don't count")
    if not quiet(case.policy, case.now.wall, case.clock_set):
        return _NOT_QUIET
    until = quiet_until(case.policy, case.now.wall)
    end = f" until {local_time(case.policy, until)}" if until else ""
    return Clause("quiet", False, f"quiet hours{end}")
