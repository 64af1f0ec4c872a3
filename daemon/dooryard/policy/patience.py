"""Whether an earlier rule may yet take a visit that lasts, so that a later one has to wait for it. Pure.

A visit settles within a second or two. By then its stay is short, and its name may not be known: decided
at once, a rule that asks for eight seconds, or for a species, would always lose the visit to the one behind
it. So a later rule waits while an earlier one lacks nothing but

* the stay that it asks for: until the visit has lasted for so long;
* the name, or the certainty: until the visit has lasted for `NAME_WAIT_S`.

It does not wait for hours that are not open, nor for what is known to be somebody else. When the visit
ends, nothing can come of waiting, and the first rule that takes it as it is decides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from dooryard.classify.labels import GROUPS
from dooryard.core.records import SOMETHING, Clause, Decision, Visit, Waiting
from dooryard.core.wording import duration
from dooryard.policy.fields import ANYTHING, NOT_SURE
from dooryard.policy.schema import Rule

NAME_WAIT_S = 10.0
_LACKS = {"stay": "its stay", "visitor": "its name", "sure": "its certainty"}
WAITED = "waited"  # the clause's name
_UNSURE_GROUP = "animal"  # may turn out to be of any group
_NO_SPECIES = frozenset({*GROUPS, ANYTHING, NOT_SURE, SOMETHING})


def may_yet_take(rule: Rule, visit: Visit, failed: str, group_of: Mapping[str, str]) -> bool:
    """Whether `rule`, of which the clause `failed` has failed, may take `visit` later on.

    `group_of` is the group of each species' name; a name that it lacks may be of any group.
    """
    if visit.end is not None or visit.visitor.group == SOMETHING:
        return False
    if failed == "stay":
        return True  # the clause fails no longer once the stay is long enough
    if visit.stay_s >= NAME_WAIT_S:
        return False
    return failed == "sure" or (failed == "visitor" and _may_be_named(rule, visit, group_of))


def waiting_text(rule: Rule, earlier: Rule, lacks: Clause) -> str:
    """Why `rule` waits: for what `earlier` lacks, and for how long."""
    longest_s = earlier.shortest_stay_s if lacks.name == "stay" else NAME_WAIT_S
    return (
        f'rule "{rule.name}" waits for "{earlier.name}", which may still take it, '
        f"until it has stayed {longest_s:g} s: {lacks.text}"
    )


@dataclass(frozen=True, slots=True)
class Wait:
    """That a rule waited for an earlier one with a visit."""

    what: Waiting
    since_s: float  # monotonic


def waiting(waits: tuple[Wait, ...], decision: Decision, now_s: float) -> tuple[Wait, ...]:
    """The visit's waits with the one that `decision` tells of, if that is another."""
    if decision.waits is None or any(each.what == decision.waits for each in waits):
        return waits
    return (*waits, Wait(decision.waits, now_s))


def with_waits(decision: Decision, waits: tuple[Wait, ...], now_s: float) -> Decision:
    """A decision that is final, told who had waited for whom before it."""
    ends_s = [*(each.since_s for each in waits[1:]), now_s]
    clauses = (
        Clause(
            WAITED,
            True,
            f'rule "{each.what.rule}" would have taken it, and waited {duration(end_s - each.since_s)} '
            f'for "{each.what.earlier}", which lacked {_LACKS.get(each.what.lacks, each.what.lacks)}',
        )
        for each, end_s in zip(waits, ends_s, strict=True)
    )
    return replace(decision, clauses=(*clauses, *decision.clauses)) if waits else decision


def _may_be_named(rule: Rule, visit: Visit, group_of: Mapping[str, str]) -> bool:
    """Whether the visitor may yet get a name that `rule` is for."""
    visitor = visit.visitor
    if visitor.species is not None:
        return False
    if visitor.group == _UNSURE_GROUP:
        return any(name not in (NOT_SURE, SOMETHING) for name in rule.visitor)
    species = (name for name in rule.visitor if name not in _NO_SPECIES)
    return any(group_of.get(name, visitor.group) == visitor.group for name in species)
