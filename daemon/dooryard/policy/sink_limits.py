"""Which of a rule's sinks can have an alert now, which when their quiet hours end, and which not. Pure.

First those at their limit drop out; an urgent rule's alerts count, and nothing stops them. Of the rest, those
that are quiet wait, each for its own hours: `MOST_HELD` alerts in one stretch of them. What waits counts
toward no limit, as what is held counts toward no cap.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from dooryard.core.records import Clause
from dooryard.policy.case import Case, day_of, listed
from dooryard.policy.limits import HOUR_S
from dooryard.policy.local_time import local_time
from dooryard.policy.schema import OwnSink, Rule
from dooryard.policy.sink_hours import is_quiet, own, stretch, until
from dooryard.policy.state import LONGEST_DAY_S, PolicyState

MOST_HELD = 12  # alerts of one stretch of quiet hours, for they all come at its end


class Recipients(NamedTuple):
    """Who gets an alert, and when."""

    now: tuple[str, ...]
    later: tuple[str, ...]  # when their quiet hours end
    state: PolicyState  # with those counted that wait
    notes: tuple[str, ...]  # on each sink that does not get it at once
    clause: Clause  # on quiet hours


def within_limits(
    case: Case, rule: Rule, sinks: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[Clause, ...]]:
    """Those of `sinks` that may have one more alert, and a clause for each limit that was asked."""
    left: list[str] = []
    clauses: list[Clause] = []
    for sink in sinks:
        asked = tuple(_limits(case, rule, sink))
        clauses += asked
        if all(clause.passed for clause in asked):
            left.append(sink)
    return tuple(left), tuple(clauses)


def _limits(case: Case, rule: Rule, sink: str) -> Iterator[Clause]:
    its = own(case.policy, sink)
    if its is None:
        return
    for had, most, when in _counts(case, its):
        text = f"{sink} has had {had} of at most {most} {when}"
        over = had >= most
        if over and rule.urgent:
            text += f', but rule "{rule.name}" is urgent'
        yield Clause("limit of a sink", rule.urgent or not over, text)


def _counts(case: Case, its: OwnSink) -> Iterator[tuple[int, int, str]]:
    """How many alerts the sink has had, its bound, and in what time."""
    now_s = case.now.mono_s
    had = [told for told in case.state.told if its.name in told.sinks]
    if its.at_most_per_hour is not None:
        yield sum(now_s - told.mono_s < HOUR_S for told in had), its.at_most_per_hour, "in 60 min"
    if its.at_most_per_day is not None:
        day = day_of(case.policy, case.now, case.clock_set)
        # What was told while the clock was not set may have been on any date, as with the rules' caps.
        of_day = (
            told.day == day if day and told.day else now_s - told.mono_s < LONGEST_DAY_S for told in had
        )
        when = "today" if day else "in 24 h (the clock is not set)"
        yield sum(of_day), its.at_most_per_day, when


def recipients(case: Case, rule: Rule, sinks: tuple[str, ...]) -> Recipients:
    """Part `sinks` by their own quiet hours."""
    if rule.urgent:
        text = f'rule "{rule.name}" is urgent, so quiet hours don\'t count'
        return Recipients(sinks, (), case.state, (), Clause("quiet", True, text))
    if not case.clock_set:
        text = "the clock is not set, so quiet hours don't count"
        return Recipients(sinks, (), case.state, (), Clause("quiet", True, text))
    now = tuple(sink for sink in sinks if not is_quiet(case.policy, sink, case.now.wall, case.clock_set))
    quiet = [sink for sink in sinks if sink not in now]
    sends = case.policy.hours.when_quiet_ends == "send"
    state, later, notes = case.state, [], []
    for sink in quiet:
        end = stretch(case.policy, sink, case.now.wall)
        state = state.holding_for(sink, end)
        if not sends:
            notes.append(f"not to {sink}, which is quiet{_until(case, sink)}")
        elif state.held_for(sink, end) > MOST_HELD:
            notes.append(f"not to {sink}, for which {MOST_HELD} are held already")
        else:
            later.append(sink)
            notes.append(f"to {sink} later, which is quiet{_until(case, sink)}")
    return Recipients(now, tuple(later), state, tuple(notes), _quiet_clause(case, quiet, now))


def _quiet_clause(case: Case, quiet: list[str], now: tuple[str, ...]) -> Clause:
    if not quiet:
        return Clause("quiet", True, "no quiet hours now")
    ends = {sink: _until(case, sink) for sink in quiet}
    if not now and len(set(ends.values())) == 1:
        return Clause("quiet", False, f"quiet hours{ends[quiet[0]]}")
    said = ", ".join(f"{sink} is quiet{end}" for sink, end in ends.items())
    return Clause("quiet", bool(now), said + (f", and {listed(now)} not" if now else ""))


def _until(case: Case, sink: str) -> str:
    end = until(case.policy, sink, case.now.wall)
    return f" until {local_time(case.policy, end)}" if end else ""
