"""A visit that was told and still lasts: whether one more message is due. Pure."""

from __future__ import annotations

import math

from dooryard.core.records import Decision, Outcome, Visit
from dooryard.policy.rule import Rule
from dooryard.policy.schema import Policy


def rule_of(policy: Policy, decision: Decision) -> Rule | None:
    """The rule that decided; None: none did, or the policy has it no longer."""
    return next((rule for rule in policy.rule if rule.name == decision.rule), None)


def is_still_here(policy: Policy, visit: Visit, decision: Decision) -> bool:
    """Whether `visit`, which lasts and was decided on, has stayed so long that it is told again."""
    if decision.outcome is not Outcome.TELL:
        return False
    rule = rule_of(policy, decision)
    return rule is not None and rule.still_here_min is not None and visit.stay_s >= 60 * rule.still_here_min


def stayed_s(rule: Rule, visit: Visit) -> float:
    """How long it has stayed, to be said: what the rule asks for, or whole minutes where that is more."""
    return max(60 * (rule.still_here_min or 0.0), 60.0 * math.floor(visit.stay_s / 60))
