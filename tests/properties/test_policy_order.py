"""Events of one moment: their order does not matter where it should not, and where it must, one is told."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from dooryard.core.records import Outcome, Visitor
from dooryard.policy.decide import decide
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from dooryard.tracking import visits
from dooryard.tracking.visits import VisitSettings, VisitsState
from helpers import moment, sighting

POLICY = """
[[rule]]
name = "anybody"
visitor = ["anything"]
cooldown_min = 4
cooldown_per = "{per}"
"""
GROUPS = ("bird", "squirrel", "cat", "dog", "fox", "rabbit")


def visit(group, number):
    state = VisitsState(b"order%d" % number)
    for t in range(4):
        state, changes = visits.advance(state, (sighting(t),), moment(t), VisitSettings())
    return replace(changes.settled[0], visitor=Visitor(group, 0.9))


def decided(order, per):
    policy = parse_policy(POLICY.format(per=per), "order.toml").value
    state, outcomes = PolicyState(), {}
    for each in order:
        state, decision = decide(policy, state, each, moment(4), True, sinks=frozenset({"phone"}))
        outcomes[each.id] = decision.outcome
    return outcomes


crowds = st.lists(st.sampled_from(GROUPS), min_size=1, max_size=6, unique=True).flatmap(
    lambda groups: st.permutations([visit(group, i) for i, group in enumerate(groups)])
)


@given(crowds)
def test_visitors_of_one_moment_are_decided_alike_in_any_order(crowd):
    first = decided(crowd, "visitor")
    assert first == decided(sorted(crowd, key=lambda v: v.id), "visitor")
    assert set(first.values()) == {Outcome.TELL}


@given(crowds)
def test_with_one_cooldown_for_all_exactly_one_of_them_is_told(crowd):
    assert list(decided(crowd, "rule").values()).count(Outcome.TELL) == 1
