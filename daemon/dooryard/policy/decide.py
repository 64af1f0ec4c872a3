"""Tell it or not, to whom, and why. Pure.

Rules are tried in order. The first that takes the visit (by who it is, the rule's own dates and hours, how
sure that is, how long it stayed, how many came, and how new it is) decides: it tells, unless its sinks, its
cooldown, its caps, a pause or a mute, or the quiet hours speak against. What is held starts no cooldown and
counts toward no cap. An urgent rule heeds no quiet hours, pause or mute. While a visit lasts, a rule waits
for an earlier one that may still take it, see `patience`. While the clock is not set, no hours and no dates
count, a rule's own neither. What moved while the classifier was away is taken only by a rule that names
"something".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType

from dooryard.core.records import (
    SOMETHING,
    Clause,
    Decision,
    Moment,
    Outcome,
    Visit,
    Visitor,
    Waiting,
)
from dooryard.core.wording import spoken
from dooryard.policy.asking import asked, is_its_time
from dooryard.policy.case import Case, day_of, is_for, sinks_for
from dooryard.policy.hours import quiet_ends
from dooryard.policy.limits import caps, cooldown, hushed_now, quiet_now, sinks_known
from dooryard.policy.naming import names_of
from dooryard.policy.patience import may_yet_take, waiting_text
from dooryard.policy.schema import Policy, Rule
from dooryard.policy.sink_hours import have_own_quiet
from dooryard.policy.sink_limits import MOST_HELD, Recipients, recipients, within_limits
from dooryard.policy.state import PolicyState, Told


def decide(
    policy: Policy,
    state: PolicyState,
    visit: Visit,
    now: Moment,
    clock_set: bool,
    *,
    sinks: frozenset[str],
    group_of: Mapping[str, str] = MappingProxyType({}),
    lasting: Sequence[Visit] = (),
    muted_until: datetime | None = None,
) -> tuple[PolicyState, Decision]:
    """Decide on `visit`. `sinks` are those that the box has, `group_of` the group of each species' name,
    `lasting` the visits that have settled and last (`visit` may be left out), `muted_until` when a mute ends
    that somebody asked for.

    The decision's clauses are all that was tried, in order; its reason is one sentence. Only a visit
    that is told or held changes the state.
    """
    case = Case(policy, state, visit, now, clock_set, sinks, group_of, lasting, muted_until)
    names = names_of(visit.visitor, group_of)
    clauses: list[Clause] = []
    nearest: Clause | None = None  # the last clause that failed in a rule for this visitor
    awaited: tuple[Rule, Clause] | None = None  # the first rule that may yet take it, and what that lacks
    for rule in policy.rule:
        failed = _not_taken(case, rule, names, clauses)
        if failed is None:
            return _waiting(case, rule, awaited, clauses) if awaited else _by_rule(case, rule, clauses)
        if awaited is None and may_yet_take(rule, visit, failed.name, group_of) and is_its_time(case, rule):
            awaited = rule, failed
        if failed.name != "visitor":
            nearest = failed
    why = nearest.text if nearest else _for_nobody(visit.visitor)
    return state, _decision(case, Outcome.SILENT, None, clauses, why)


def _waiting(
    case: Case, rule: Rule, awaited: tuple[Rule, Clause], clauses: list[Clause]
) -> tuple[PolicyState, Decision]:
    """Not yet: `rule` would take it, but an earlier one may still. Only a visit that lasts is waited for."""
    why = waiting_text(rule, *awaited)
    clauses.append(Clause("waits", False, why))
    decision = _decision(case, Outcome.SILENT, None, clauses, why)
    return case.state, replace(decision, waits=Waiting(rule.name, awaited[0].name, awaited[1].name))


def _for_nobody(visitor: Visitor) -> str:
    if visitor.group == SOMETHING:
        return f'the classifier was away, and no rule matches "{SOMETHING}"'
    return "no rule matches this visitor"


def _not_taken(case: Case, rule: Rule, names: frozenset[str], clauses: list[Clause]) -> Clause | None:
    """Try whether `rule` takes the visit; return the clause that failed, or None."""
    for_whom = Clause("visitor", not names.isdisjoint(rule.visitor), is_for(rule))
    clauses.append(for_whom)
    if not for_whom.passed:
        return for_whom
    for clause in asked(case, rule):
        clauses.append(clause)
        if not clause.passed:
            return clause
    return None


def _by_rule(case: Case, rule: Rule, clauses: list[Clause]) -> tuple[PolicyState, Decision]:
    """What comes of a visit that `rule` has taken."""
    sinks = sinks_for(rule.send_to, case.sinks)
    own = case.state.of_rule(rule.name)
    day = day_of(case.policy, case.now, case.clock_set)
    for clause in (sinks_known(rule, sinks), cooldown(case, rule, own), *caps(case, rule, own, day)):
        clauses.append(clause)
        if not clause.passed:
            return case.state, _decision(case, Outcome.SILENT, rule, clauses, clause.text)
    notes: tuple[str, ...] = ()
    if case.policy.sink:
        sinks, limits = within_limits(case, rule, sinks)
        clauses += limits
        notes = tuple(each.text for each in limits if not each.passed)
        if not sinks:
            return case.state, _decision(case, Outcome.SILENT, rule, clauses, "; ".join(notes))
    if case.policy.pause or case.muted_until is not None:
        hush = hushed_now(case, rule)
        clauses.append(hush)
        if not hush.passed:
            return case.state, _decision(case, Outcome.HOLD, rule, clauses, hush.text)
    if case.policy.sink and have_own_quiet(case.policy):
        return _by_sinks(case, rule, recipients(case, rule, sinks), clauses, notes, day)
    quiet = quiet_now(case, rule)
    clauses.append(quiet)
    if not quiet.passed:
        return _held(case, rule, sinks, clauses, quiet.text)
    return _told(case, rule, Recipients(sinks, (), case.state, (), quiet), clauses, notes, day)


def _told(
    case: Case, rule: Rule, to: Recipients, clauses: list[Clause], notes: tuple[str, ...], day: str
) -> tuple[PolicyState, Decision]:
    """Told to some sinks at once, and to others when their quiet hours end."""
    told = Told(rule.name, case.visit.visitor.key, case.now.mono_s, day, to.now)
    why = f'by rule "{rule.name}" to {", ".join(to.now)}'
    if to.notes or notes:
        why = "; ".join((why, *to.notes, *notes))
    state = to.state.telling(told, case.policy.longest_cooldown_s)
    return state, _decision(case, Outcome.TELL, rule, clauses, why, sinks=to.now + to.later)


def _by_sinks(
    case: Case, rule: Rule, to: Recipients, clauses: list[Clause], notes: tuple[str, ...], day: str
) -> tuple[PolicyState, Decision]:
    """Told to the sinks that are not quiet; held where all are."""
    clauses.append(to.clause)
    if to.now:
        return _told(case, rule, to, clauses, notes, day)
    why = to.clause.text
    if case.policy.hours.when_quiet_ends == "send" and not to.later:
        why = f"{why}, and {MOST_HELD} are held already: the summary tells of it"
    why = "; ".join((why, *notes))
    return to.state, _decision(case, Outcome.HOLD, rule, clauses, why, sinks=to.later)


def _held(
    case: Case, rule: Rule, sinks: tuple[str, ...], clauses: list[Clause], why: str
) -> tuple[PolicyState, Decision]:
    """Told when quiet hours end, to the rule's sinks; what is more than `MOST_HELD`, in the summary only."""
    hours = case.policy.hours
    state = case.state.holding(str(quiet_ends(case.policy, case.now.wall)))
    if hours.when_quiet_ends == "summary":
        sinks = ()
    elif state.held > MOST_HELD:
        sinks, why = (), f"{why}, and {MOST_HELD} are held already: the summary tells of it"
    return state, _decision(case, Outcome.HOLD, rule, clauses, why, sinks=sinks)


def _decision(
    case: Case,
    outcome: Outcome,
    rule: Rule | None,
    clauses: Sequence[Clause],
    why: str,
    *,
    sinks: tuple[str, ...] = (),
) -> Decision:
    said = "held" if outcome is Outcome.HOLD and sinks else outcome.words
    return Decision(
        visit=case.visit.id,
        outcome=outcome,
        sinks=sinks,
        rule=rule.name if rule else None,
        clauses=tuple(clauses),
        reason=f"{said}: {case.policy.place.name}, {spoken(case.visit.visitor)}: {why}",
    )
