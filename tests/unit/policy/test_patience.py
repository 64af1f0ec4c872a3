"""A later rule waits for an earlier one that may still take the visit, and no longer than that."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from dooryard.core.records import Waiting
from dooryard.policy.decide import decide
from dooryard.policy.patience import NAME_WAIT_S
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from fakes.rules import SINKS, later, policy, visit

GROUP_OF = {"house finch": "bird", "rex": "dog"}
SAMPLES = Path(__file__).parents[3] / "policies"
STAYS = {"name": "stays", "shortest_stay_s": 8, "send_to": ["phone"]}
LATER = {"name": "later", "send_to": ["post"]}


def taken(rules, *args, stay_s, ended=False, **more):
    """Which rule takes a visit, and what its reason is; None while one waits."""
    seen = visit(*args, stay_s=stay_s, ended=ended, **more)
    _, decision = decide(rules, PolicyState(), seen, later(stay_s), True, sinks=SINKS, group_of=GROUP_OF)
    return decision.rule, decision.reason


@pytest.mark.parametrize("whole_s", [10, 21])
def test_a_visit_that_stays_goes_to_the_rule_that_asks_for_its_stay(whole_s):
    rules = policy(STAYS, LATER)
    found = [taken(rules, stay_s=at_s)[0] for at_s in (1.5, 3, 7.9, 8.1, whole_s)]
    assert found == [None, None, None, "stays", "stays"]


def test_a_visit_that_is_over_sooner_goes_to_the_later_rule():
    rules = policy(STAYS, LATER)
    assert taken(rules, stay_s=5, ended=True)[0] == "later"


def test_the_wait_says_what_for():
    _rule, reason = taken(policy(STAYS, LATER), stay_s=1.5)
    assert reason == (
        'not sent: Alder Row, a squirrel: rule "later" waits for "stays", which may still take it, '
        'until it has stayed 8 s: stayed 1.5 s so far, and rule "stays" asks for 8 s'
    )


def test_a_decision_that_waits_names_both_rules_and_what_is_lacking():
    _, decision = decide(
        policy(STAYS, LATER), PolicyState(), visit(stay_s=1.5), later(1.5), True, sinks=SINKS
    )
    assert decision.waits == Waiting(rule="later", earlier="stays", lacks="stay")
    assert [(each.name, each.passed) for each in decision.clauses][-1] == ("waits", False)


def test_a_bird_that_is_named_within_ten_seconds_goes_to_its_own_rule():
    rules = policy({"name": "finch", "visitor": ["house finch"]}, {"name": "any bird", "visitor": ["bird"]})
    assert taken(rules, "bird", stay_s=1.5)[0] is None
    assert taken(rules, "bird", stay_s=NAME_WAIT_S - 0.1)[0] is None
    assert taken(rules, "bird", "house finch", stay_s=6)[0] == "finch"
    assert taken(rules, "bird", stay_s=NAME_WAIT_S)[0] == "any bird"
    assert taken(rules, "bird", "great tit", stay_s=1.5)[0] == "any bird"  # it has another name


def test_certainty_is_waited_for_as_long():
    rules = policy({"name": "sure", "sure": 0.95}, LATER)
    assert taken(rules, sure=0.9, stay_s=1.5)[0] is None
    assert taken(rules, sure=0.96, stay_s=3)[0] == "sure"
    assert taken(rules, sure=0.9, stay_s=NAME_WAIT_S)[0] == "later"


@pytest.mark.parametrize(
    ("group", "waits"), [("bird", False), ("dog", True), ("squirrel", False), ("animal", True)]
)
def test_nobody_is_waited_for_who_it_cannot_be(group, waits):
    rules = policy({"name": "rex", "visitor": ["rex"]}, LATER)
    assert (taken(rules, group, stay_s=1.5)[0] is None) is waits


def test_hours_that_are_not_open_are_not_waited_for():
    rules = policy({"name": "night", "hours": {"from": "22:00", "to": "04:00"}, "shortest_stay_s": 8}, LATER)
    assert taken(rules, stay_s=1.5)[0] == "later"
    named = {"name": "rex", "visitor": ["rex"], "hours": {"from": "22:00", "to": "04:00"}}
    assert taken(policy(named, LATER), "dog", stay_s=1.5)[0] == "later"


def test_only_earlier_rules_are_waited_for():
    assert taken(policy(LATER, STAYS), stay_s=1.5)[0] == "later"


def test_what_no_rule_takes_waits_for_nobody():
    rules = policy({**STAYS, "visitor": ["cat"]})
    _, decision = decide(rules, PolicyState(), visit(stay_s=1.5), later(2), True, sinks=SINKS)
    assert decision.reason.endswith("no rule matches this visitor")


def sample(name: str) -> Policy:
    return Policy.model_validate(tomllib.loads((SAMPLES / name).read_text(encoding="utf-8")))


def test_the_south_wall_tells_whoever_suns_there_and_not_each_passing_bird_as_one():
    rules = sample("south-wall.toml")  # START is 14:03 in London, within the rule's hours
    assert taken(rules, "bird", stay_s=1.5)[0] is None
    assert taken(rules, "bird", stay_s=5.5)[0] == "whoever suns on the wall"
    assert taken(rules, "bird", "house finch", stay_s=1.5)[0] == "each bird once a day"
    assert taken(rules, "bird", stay_s=3, ended=True)[0] == "each bird once a day"
    assert taken(rules, "cat", sure=0.7, stay_s=1.5)[0] == "cat on the wall"
