"""How many of a rule's visitors are here at once, and how many came within the hour. Pure.

They count by their names as they are now; how certain those are does not matter.
"""

from __future__ import annotations

from collections.abc import Iterator

from dooryard.core.records import Clause, Visitor
from dooryard.policy.case import Case
from dooryard.policy.naming import names_of
from dooryard.policy.rule import Rule
from dooryard.policy.seen import HOUR_S


def enough(case: Case, rule: Rule) -> Iterator[Clause]:
    """What `at_once` and `visits_in_hour` ask for."""
    if rule.at_once is not None:
        yield _at_once(case, rule, rule.at_once)
    if rule.visits_in_hour is not None:
        yield _in_hour(case, rule, rule.visits_in_hour)


def _at_once(case: Case, rule: Rule, asked: int) -> Clause:
    asks = f'rule "{rule.name}" asks for {asked} at once'
    if case.visit.end is not None:
        return Clause("at once", False, f"it is over, and {asks}")
    others = sum(visit.id != case.visit.id and _is_for(case, rule, visit.visitor) for visit in case.lasting)
    return Clause("at once", others + 1 >= asked, f"{_visits(others + 1)} of its visitors here, and {asks}")


def _in_hour(case: Case, rule: Rule, asked: int) -> Clause:
    came = {visit.id: (visit.start.mono_s, visit.visitor) for visit in case.lasting}
    came |= {each.visit: (each.start_s, each.visitor) for each in case.state.seen.over}
    came[case.visit.id] = case.visit.start.mono_s, case.visit.visitor
    count = sum(
        case.now.mono_s - start_s < HOUR_S and _is_for(case, rule, visitor)
        for start_s, visitor in came.values()
    )
    return Clause(
        "visits in the hour",
        count >= asked,
        f'{_visits(count)} of its visitors in 60 min, and rule "{rule.name}" asks for {asked}',
    )


def _is_for(case: Case, rule: Rule, visitor: Visitor) -> bool:
    return not names_of(visitor, case.group_of).isdisjoint(rule.visitor)


def _visits(count: int) -> str:
    return "1 visit" if count == 1 else f"{count} visits"
