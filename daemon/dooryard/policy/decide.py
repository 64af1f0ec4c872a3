"""Tell it or not, to whom, and why. Pure.

Rules are tried in order. The first that takes the visit (by who it is, the rule's own hours, how sure
that is, and how long it stayed) decides: it tells, unless its sinks, its cooldown, its caps or the quiet
hours speak against. What is held in quiet hours starts no cooldown and counts toward no cap. An urgent
rule heeds no quiet hours. While a visit lasts, a rule waits for an earlier one that may still take it, see
`patience`. While the clock is not set, no hours count, a rule's own neither.
What moved while the classifier was away is taken only by a rule that names "something".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from dooryard.policy.hours import is_open, quiet, quiet_ends, quiet_until
from dooryard.policy.naming import names_of
from dooryard.policy.patience import may_yet_take, waiting_text
from dooryard.policy.schema import ALL_SINKS, Policy, Rule, plain_name
from dooryard.policy.state import PolicyState, Told
from dooryard.policy.words import (
    duration,
    local_time,
    percent_against,
    seconds_against,
    spoken,
    with_article,
)
from dooryard.records import SOMETHING, Clause, Decision, Moment, Outcome, Visit, Visitor

HOUR_S = 3600.0
MOST_HELD = 12  # alerts of one stretch of quiet hours, for they all come at its end
_MOST_NAMES = 4


@dataclass(frozen=True, slots=True)
class _Case:
    """What one decision looks at."""

    policy: Policy
    state: PolicyState
    visit: Visit
    now: Moment
    clock_set: bool
    sinks: frozenset[str]
    group_of: Mapping[str, str]


def decide(
    policy: Policy,
    state: PolicyState,
    visit: Visit,
    now: Moment,
    clock_set: bool,
    *,
    sinks: frozenset[str],
    group_of: Mapping[str, str] = MappingProxyType({}),
) -> tuple[PolicyState, Decision]:
    """Decide on `visit`. `sinks` are those that the box has, `group_of` the group of each species' name.

    The decision's clauses are all that was tried, in order; its reason is one sentence. Only a visit
    that is told or held changes the state.
    """
    case = _Case(policy, state, visit, now, clock_set, sinks, group_of)
    names = names_of(visit.visitor, group_of)
    clauses: list[Clause] = []
    nearest: Clause | None = None  # the last clause that failed in a rule for this visitor
    awaited: tuple[Rule, Clause] | None = None  # the first rule that may yet take it, and what that lacks
    for rule in policy.rule:
        failed = _not_taken(case, rule, names, clauses)
        if failed is None:
            return _waiting(case, rule, awaited, clauses) if awaited else _by_rule(case, rule, clauses)
        if awaited is None and may_yet_take(rule, visit, failed.name, group_of) and _is_its_hour(case, rule):
            awaited = rule, failed
        if failed.name != "visitor":
            nearest = failed
    why = nearest.text if nearest else _for_nobody(visit.visitor)
    return state, _decision(case, Outcome.SILENT, None, clauses, why)


def _waiting(
    case: _Case, rule: Rule, awaited: tuple[Rule, Clause], clauses: list[Clause]
) -> tuple[PolicyState, Decision]:
    """Not yet: `rule` would take it, but an earlier one may still. Only a visit that lasts is waited for."""
    why = waiting_text(rule, *awaited)
    clauses.append(Clause("waits", False, why))
    return case.state, _decision(case, Outcome.SILENT, None, clauses, why)


def sinks_for(send_to: Sequence[str], sinks: frozenset[str]) -> tuple[str, ...]:
    """The sinks of the box that a `send_to` names, in its order."""
    named = sorted(sinks) if ALL_SINKS in send_to else send_to
    return tuple(dict.fromkeys(name for name in named if name in sinks))


def day_of(policy: Policy, now: Moment, clock_set: bool) -> str:
    """The local date, or "" while the clock is not set."""
    return now.wall.astimezone(policy.place.zone).date().isoformat() if clock_set else ""


def _for_nobody(visitor: Visitor) -> str:
    if visitor.group == SOMETHING:
        return f'the classifier was away, and no rule is for "{SOMETHING}"'
    return "no rule is for this visitor"


def _not_taken(case: _Case, rule: Rule, names: frozenset[str], clauses: list[Clause]) -> Clause | None:
    """Try whether `rule` takes the visit; return the clause that failed, or None."""
    for_whom = Clause("visitor", not names.isdisjoint(rule.visitor), _is_for(rule))
    clauses.append(for_whom)
    if not for_whom.passed:
        return for_whom
    for clause in _asked(case, rule):
        clauses.append(clause)
        if not clause.passed:
            return clause
    return None


def _asked(case: _Case, rule: Rule) -> Iterator[Clause]:
    """What `rule` asks of a visit whose visitor it is for."""
    if rule.hours:
        yield _own_hours(case, rule)
    yield _sure(case, rule)
    stay_s = case.visit.stay_s
    if rule.shortest_stay_s > 0:
        so_far = "" if case.visit.end else " so far"
        stayed, asked = seconds_against(stay_s, rule.shortest_stay_s)
        yield Clause(
            "stay",
            stay_s >= rule.shortest_stay_s,
            f'stayed {stayed}{so_far}, and rule "{rule.name}" asks for {asked}',
        )


def _sure(case: _Case, rule: Rule) -> Clause:
    if case.visit.visitor.group == SOMETHING:
        return Clause("sure", True, "the classifier was away, so nobody can be sure; that does not count")
    sure, of_what = _certainty(case, rule)
    known, asked = percent_against(sure, rule.sure)
    return Clause(
        "sure", sure >= rule.sure, f'{known} sure{of_what}, and rule "{rule.name}" asks for {asked}'
    )


def _certainty(case: _Case, rule: Rule) -> tuple[float, str]:
    """What `rule` compares with: the group's certainty, unless it takes the visitor by its species only.

    With it the words that say of what it is, where the two differ.
    """
    visitor = case.visit.visitor
    if visitor.species is None or visitor.group_sure is None:
        return visitor.sure, ""
    by_species = {plain_name(name) for name in (visitor.species, visitor.scientific) if name}
    by_group = (names_of(visitor, case.group_of) - by_species) | {plain_name(visitor.group)}
    if by_group.isdisjoint(rule.visitor):
        return visitor.sure, f" of {with_article(visitor.species)}"
    return visitor.group_sure, f" of {with_article(visitor.group)}"


def _is_its_hour(case: _Case, rule: Rule) -> bool:
    return not rule.hours or _own_hours(case, rule).passed


def _own_hours(case: _Case, rule: Rule) -> Clause:
    if not case.clock_set:
        return Clause("hours", True, f'the clock is not set, so the hours of rule "{rule.name}" don\'t count')
    within = is_open(rule.hours, case.policy.place, case.now.wall)
    return Clause("hours", within, f'it is {"" if within else "not "}within the hours of rule "{rule.name}"')


def _by_rule(case: _Case, rule: Rule, clauses: list[Clause]) -> tuple[PolicyState, Decision]:
    """What comes of a visit that `rule` has taken."""
    sinks = sinks_for(rule.send_to, case.sinks)
    for clause in (_sinks(rule, sinks), _cooldown(case, rule), *_caps(case, rule)):
        clauses.append(clause)
        if not clause.passed:
            return case.state, _decision(case, Outcome.SILENT, rule, clauses, clause.text)
    clauses.append(_quiet(case, rule))
    if not clauses[-1].passed:
        return _held(case, rule, sinks, clauses)
    told = Told(
        rule=rule.name,
        visitor=case.visit.visitor.key,
        mono_s=case.now.mono_s,
        day=day_of(case.policy, case.now, case.clock_set),
    )
    keep_s = 60 * max(each.cooldown_min for each in case.policy.rule)
    why = f'by rule "{rule.name}" to {", ".join(sinks)}'
    return case.state.telling(told, keep_s), _decision(case, Outcome.TELL, rule, clauses, why, sinks=sinks)


def _held(
    case: _Case, rule: Rule, sinks: tuple[str, ...], clauses: list[Clause]
) -> tuple[PolicyState, Decision]:
    """Told when quiet hours end, to the rule's sinks; what is more than `MOST_HELD`, in the summary only."""
    why, hours = clauses[-1].text, case.policy.hours
    state = case.state.holding(str(quiet_ends(case.policy, case.now.wall)))
    if hours.when_quiet_ends == "summary":
        sinks = ()
    elif state.held > MOST_HELD:
        sinks, why = (), f"{why}, and {MOST_HELD} are held already: the summary tells of it"
    return state, _decision(case, Outcome.HOLD, rule, clauses, why, sinks=sinks)


def _sinks(rule: Rule, sinks: tuple[str, ...]) -> Clause:
    if not rule.send_to:
        return Clause("sinks", False, f'rule "{rule.name}" tells nobody')
    if not sinks:
        which = "" if ALL_SINKS in rule.send_to else f" called {_listed(rule.send_to)}"
        return Clause("sinks", False, f"the box has no sink{which}")
    return Clause("sinks", True, f"to {', '.join(sinks)}")


def _cooldown(case: _Case, rule: Rule) -> Clause:
    whose = case.visit.visitor.key if rule.cooldown_per == "visitor" else None
    last_s = case.state.last_told_s(rule.name, whose)
    cooldown_s = rule.cooldown_min * 60
    name = f"cooldown of {duration(cooldown_s)}"
    if last_s is None:
        return Clause("cooldown", True, f"{name} has not begun")
    left_s = cooldown_s - (case.now.mono_s - last_s)
    if left_s > 0:
        return Clause("cooldown", False, f"{name} has {duration(left_s)} left")
    return Clause("cooldown", True, f"{name} is over")


def _caps(case: _Case, rule: Rule) -> Iterator[Clause]:
    day = day_of(case.policy, case.now, case.clock_set)
    when = "today" if day else "in a day's time (the clock is not set)"
    if rule.only_first_of_day:
        visitor = case.visit.visitor.key
        earlier = case.state.told_on(rule.name, day, case.now.mono_s, visitor)
        yield Clause(
            "first of day",
            earlier == 0,
            f'rule "{rule.name}" has told of this visitor {"already" if earlier else "not yet"} {when}',
        )
    if rule.at_most_per_hour is not None:
        told = case.state.told_within(rule.name, case.now.mono_s, HOUR_S)
        yield Clause(
            "hourly cap",
            told < rule.at_most_per_hour,
            f'rule "{rule.name}" has told {told} of at most {rule.at_most_per_hour} in 60 min',
        )
    told = case.state.told_on(rule.name, day, case.now.mono_s)
    yield Clause(
        "cap",
        told < rule.at_most_per_day,
        f'rule "{rule.name}" has told {told} of at most {rule.at_most_per_day} {when}',
    )


def _quiet(case: _Case, rule: Rule) -> Clause:
    if rule.urgent:
        return Clause("quiet", True, f'rule "{rule.name}" is urgent, so quiet hours don\'t count')
    if not case.clock_set:
        return Clause("quiet", True, "the clock is not set, so quiet hours don't count")
    if not quiet(case.policy, case.now.wall, case.clock_set):
        return Clause("quiet", True, "no quiet hours now")
    until = quiet_until(case.policy, case.now.wall)
    end = f" until {local_time(case.policy, until)}" if until else ""
    return Clause("quiet", False, f"quiet hours{end}")


def _decision(
    case: _Case,
    outcome: Outcome,
    rule: Rule | None,
    clauses: Sequence[Clause],
    why: str,
    *,
    sinks: tuple[str, ...] = (),
) -> Decision:
    said = "held" if outcome is Outcome.HOLD and sinks else outcome.value
    return Decision(
        visit=case.visit.id,
        outcome=outcome,
        sinks=sinks,
        rule=rule.name if rule else None,
        clauses=tuple(clauses),
        reason=f"{said}: {case.policy.place.name}, {spoken(case.visit.visitor)}: {why}",
    )


def _is_for(rule: Rule) -> str:
    return f'rule "{rule.name}" is for {_listed(rule.visitor)}'


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
