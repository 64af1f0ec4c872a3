"""Rehearsals made by hand, short to write."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dooryard.core.records import Clause, Decision, Moment, Outcome
from dooryard.policy.schema import Policy
from dooryard.rehearse.records import Rehearsal, RehearsedVisit
from fakes.rules import START, later, policy, visit


def seen(
    at_s: float,
    group: str = "squirrel",
    outcome: Outcome = Outcome.TELL,
    *,
    stay_s: float = 12.0,
    why: str = 'by rule "rule 1" to phone',
    number: int = 1,
    jpeg: bytes | None = None,
    **who: Any,
) -> RehearsedVisit:
    """A visit `at_s` seconds after START, and what was decided."""
    came = visit(group, stay_s=stay_s, start=later(at_s), number=number, ended=True, **who)
    told = outcome is Outcome.TELL
    decision = Decision(
        visit=came.id,
        outcome=outcome,
        sinks=("phone",) if told else (),
        rule="rule 1" if told else None,
        clauses=(Clause("visitor", told, 'rule "rule 1" is for anything'),),
        reason=f"{outcome.words}: Alder Row, a {group}: {why}",
    )
    return RehearsedVisit(came, decision, later(at_s + 2), jpeg)


def rehearsal(*visits: RehearsedVisit, rules: Policy | None = None, lasts_s: float = 600.0) -> Rehearsal:
    return Rehearsal(
        recording="afternoon",
        policy_file="alder-row.toml",
        policy=rules or policy({}),
        first=START.wall,
        last=later(lasts_s).wall,
        frames=3000,
        looks=len(visits) * 5,
        nobody=0,
        seen=visits,
    )


def moved(each: RehearsedVisit, seconds: float) -> RehearsedVisit:
    """The same visit, seen later."""
    start = Moment(*later(seconds, each.visit.start))
    return replace(each, visit=replace(each.visit, start=start))
