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

from dooryard.classify.labels import GROUPS
from dooryard.policy.fields import ANYTHING, NOT_SURE
from dooryard.policy.schema import Rule
from dooryard.records import SOMETHING, Clause, Visit

NAME_WAIT_S = 10.0
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


def _may_be_named(rule: Rule, visit: Visit, group_of: Mapping[str, str]) -> bool:
    """Whether the visitor may yet get a name that `rule` is for."""
    visitor = visit.visitor
    if visitor.species is not None:
        return False
    if visitor.group == _UNSURE_GROUP:
        return any(name not in (NOT_SURE, SOMETHING) for name in rule.visitor)
    species = (name for name in rule.visitor if name not in _NO_SPECIES)
    return any(group_of.get(name, visitor.group) == visitor.group for name in species)
