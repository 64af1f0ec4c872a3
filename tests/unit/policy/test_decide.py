"""Each clause of a decision, and the sentence it ends in."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from dooryard.core.records import Moment, Outcome
from dooryard.policy.decide import decide
from dooryard.policy.say import alert_for
from dooryard.policy.schema import Policy
from dooryard.policy.sink_limits import MOST_HELD
from dooryard.policy.state import PolicyState
from fakes.rules import SINKS, START, later, policy, visit


def decided(rules, seen, state=None, now=START, *, clock_set=True, sinks=SINKS):
    return decide(rules, state or PolicyState(), seen, now, clock_set, sinks=sinks)


def test_told_by_the_first_rule_that_takes_it():
    rules = policy(
        {"name": "squirrel on the seed", "visitor": ["squirrel"], "send_to": ["phone"]},
        {"name": "any bird", "visitor": ["bird"], "send_to": ["phone", "post"]},
    )
    state, decision = decided(rules, visit("bird", "house finch"))
    assert decision.outcome is Outcome.TELL
    assert decision.rule == "any bird"
    assert decision.sinks == ("phone", "post")
    assert decision.reason == 'sent: Alder Row, a house finch: by rule "any bird" to phone, post'
    assert [(clause.name, clause.passed) for clause in decision.clauses] == [
        ("visitor", False), ("visitor", True), ("sure", True), ("sinks", True), ("cooldown", True),
        ("cap", True), ("quiet", True),
    ]  # fmt: skip
    assert [(told.rule, told.visitor, told.day) for told in state.told] == [
        ("any bird", "house finch", "2026-06-14")
    ]


def test_in_cooldown():
    rules = policy({"cooldown_min": 10})
    state, _ = decided(rules, visit())
    after, decision = decided(rules, visit(number=2), state, later(470))
    assert decision.outcome is Outcome.SILENT
    assert decision.sinks == ()
    assert decision.reason == "not sent: Alder Row, a squirrel: cooldown of 10 min has 2 min 10 s left"
    assert after == state


@pytest.mark.parametrize(("per", "outcome"), [("visitor", Outcome.TELL), ("rule", Outcome.SILENT)])
def test_whose_cooldown_it_is(per, outcome):
    rules = policy({"cooldown_per": per})
    state, _ = decided(rules, visit("squirrel"))
    _, decision = decided(rules, visit("cat", number=2), state, later(1))
    assert decision.outcome is outcome


def test_a_cooldown_ends_when_it_has_passed_and_no_sooner():
    rules = policy({"cooldown_min": 4})
    state, _ = decided(rules, visit())
    assert decided(rules, visit(), state, later(239.99))[1].outcome is Outcome.SILENT
    assert decided(rules, visit(), state, later(240))[1].outcome is Outcome.TELL


def test_the_cap_of_a_day_and_the_next_day():
    rules = policy({"cooldown_min": 0, "at_most_per_day": 2})
    state, outcomes = PolicyState(), []
    for n in range(3):
        state, decision = decided(rules, visit(number=n), state, later(n))
        outcomes.append(decision.outcome)
    assert outcomes == [Outcome.TELL, Outcome.TELL, Outcome.SILENT]
    assert decision.reason.endswith('rule "rule 1" has told 2 of at most 2 today')
    _, decision = decided(rules, visit(), state, later(10 * 3600))  # 00:03 on the 15th, local time
    assert decision.outcome is Outcome.TELL


def test_alerts_told_while_the_clock_was_not_set_count_once_it_is():
    rules = policy({"cooldown_min": 0, "at_most_per_day": 1})
    state, decision = decided(rules, visit(), clock_set=False)
    assert decision.outcome is Outcome.TELL
    assert decided(rules, visit(), state, later(60))[1].outcome is Outcome.SILENT
    assert decided(rules, visit(), state, later(26 * 3600))[1].outcome is Outcome.TELL


def test_a_day_on_which_clocks_go_back_is_25_hours_long():
    # London, 25 October 2026: told at 00:10 while the clock is not set, asked again at 23:50.
    rules = policy({"cooldown_min": 0, "at_most_per_day": 1})
    begin = Moment(datetime(2026, 10, 24, 23, 10, tzinfo=UTC), START.mono_s)
    end = Moment(datetime(2026, 10, 25, 23, 50, tzinfo=UTC), START.mono_s + 24 * 3600 + 40 * 60)
    state, _ = decided(rules, visit(), now=begin, clock_set=False)
    assert decided(rules, visit(), state, end)[1].outcome is Outcome.SILENT


def test_a_clock_that_is_never_set_does_not_silence_the_box_for_good():
    rules = policy({"cooldown_min": 0, "at_most_per_day": 1})
    state, _ = decided(rules, visit())
    _, decision = decided(rules, visit(), state, later(60), clock_set=False)
    assert decision.outcome is Outcome.SILENT
    assert "in 24 h (the clock is not set)" in decision.reason
    assert decided(rules, visit(), state, later(26 * 3600), clock_set=False)[1].outcome is Outcome.TELL


QUIET = {"hours": {"quiet": [{"from": "13:00", "to": "15:00"}]}}  # local; START is 14:03


def test_quiet_hours_hold_and_start_no_cooldown():
    rules = policy({}, **QUIET)
    state, decision = decided(rules, visit())
    assert decision.outcome is Outcome.HOLD
    assert decision.sinks == ("phone", "post")  # when they end
    assert decision.reason == "held: Alder Row, a squirrel: quiet hours until 15:00"
    assert state == PolicyState(held=1, held_until="2026-06-14 14:00:00+00:00")
    assert decided(rules, visit(), state, later(3600))[1].outcome is Outcome.TELL


def test_what_is_held_can_be_left_to_the_summary():
    quiet = QUIET["hours"] | {"when_quiet_ends": "summary"}
    _, decision = decided(policy({}, hours=quiet), visit())
    assert (decision.outcome, decision.sinks) == (Outcome.HOLD, ())
    assert decision.reason == "held for the summary: Alder Row, a squirrel: quiet hours until 15:00"


def test_what_is_held_for_the_end_of_quiet_hours_is_bounded():
    rules, state, days = policy({"send_to": ["phone"]}, **QUIET), PolicyState(), []
    for day in (0, 1):
        held = []
        for number in range(MOST_HELD + 3):
            now = later(day * 86400 + number)
            state, decision = decided(rules, visit(number=number), state, now)
            held.append(decision.sinks)
        days.append(held)
    assert days == [[("phone",)] * MOST_HELD + [()] * 3] * 2
    assert decision.reason.endswith(f"and {MOST_HELD} are held already: the summary tells of it")


def test_quiet_hours_do_not_count_while_the_clock_is_not_set():
    _, decision = decided(policy({}, **QUIET), visit(), clock_set=False)
    assert decision.outcome is Outcome.TELL
    assert decision.clauses[-1].text == "the clock is not set, so quiet hours don't count"


@pytest.mark.parametrize(
    ("rule", "seen", "why"),
    [
        ({"sure": 0.7}, visit(sure=0.699), '69 % sure, and rule "rule 1" asks for 70 %'),
        ({"shortest_stay_s": 20}, visit(), 'stayed 12.0 s so far, and rule "rule 1" asks for 20 s'),
        ({"shortest_stay_s": 20}, visit(ended=True), 'stayed 12.0 s, and rule "rule 1" asks for 20 s'),
        ({"visitor": ["cat"]}, visit(), "no rule matches this visitor"),
        ({"send_to": []}, visit(), 'rule "rule 1" tells nobody'),
        ({"send_to": ["bell"]}, visit(), "the box has no sink called bell"),
    ],
)
def test_not_told(rule, seen, why):
    state, decision = decided(policy(rule), seen)
    assert decision.outcome is Outcome.SILENT
    assert decision.reason == f"not sent: Alder Row, a squirrel: {why}"
    assert state == PolicyState()


def test_a_visit_that_one_rule_is_not_sure_enough_of_goes_to_the_next():
    rules = policy({"visitor": ["squirrel"], "sure": 0.95}, {"visitor": ["anything"]})
    assert decided(rules, visit(sure=0.9))[1].rule == "rule 2"


def test_a_rule_in_cooldown_does_not_pass_the_visit_on():
    rules = policy({"visitor": ["squirrel"]}, {"visitor": ["anything"]})
    state, _ = decided(rules, visit())
    _, decision = decided(rules, visit(), state, later(1))
    assert (decision.outcome, decision.rule) == (Outcome.SILENT, "rule 1")


@pytest.mark.parametrize(
    ("named", "seen", "taken"),
    [
        ("bird", visit("bird"), True),
        ("bird", visit("bird", "house finch"), True),
        ("House Finch", visit("bird", "house finch"), True),
        ("haemorhous mexicanus", visit("bird", "house finch", "Haemorhous mexicanus"), True),
        ("house finch", visit("bird", "brambling"), False),
        ("house finch", visit("bird"), False),
        ("not sure", visit("bird"), True),
        ("not sure", visit("animal"), True),
        ("not sure", visit("squirrel", sure=0.99), False),  # there is no more to know
        ("not sure", visit("bird", "house finch"), False),
        ("anything", visit("animal"), True),
        ("cat", visit("bird", "cat bird"), False),
    ],
)
def test_who_is_meant(named, seen, taken):
    _, decision = decided(policy({"visitor": [named]}), seen)
    assert (decision.outcome is Outcome.TELL) is taken


@pytest.mark.parametrize(
    ("send_to", "has", "sinks"),
    [
        (["all"], {"post", "phone"}, ("phone", "post")),
        (["post", "phone"], {"post", "phone"}, ("post", "phone")),
        (["post", "bell"], {"post"}, ("post",)),
        (["post", "post"], {"post"}, ("post",)),
    ],
)
def test_to_whom(send_to, has, sinks):
    _, decision = decided(policy({"send_to": send_to}), visit(), sinks=frozenset(has))
    assert decision.sinks == sinks


def test_a_box_without_sinks_says_so():
    _, decision = decided(policy({}), visit(), sinks=frozenset())
    assert decision.reason == "not sent: Alder Row, a squirrel: the box has no sink"


def test_the_default_policy_decides():
    _, decision = decided(Policy(), visit("bird"))
    assert decision.reason == 'sent: the garden, a bird, species not sure: by rule "anybody" to phone, post'


OWN_HOURS = {"hours": {"from": "13:00", "to": "14:00"}}  # local; START is 14:03


def test_a_rule_takes_visits_in_its_own_hours_only():
    rules = policy(OWN_HOURS, {"visitor": ["squirrel"], "hours": [{"from": "14:00", "to": "sunset"}]})
    _, decision = decided(rules, visit())
    assert decision.rule == "rule 2"
    assert decision.clauses[1].text == 'it is not within the hours of rule "rule 1"'
    _, decision = decided(rules, visit("cat"))
    assert decision.reason == 'not sent: Alder Row, a cat: it is not within the hours of rule "rule 1"'
    _, decision = decided(policy(OWN_HOURS), visit(), now=later(-600))
    assert decision.outcome is Outcome.TELL


def test_a_rules_own_hours_do_not_count_while_the_clock_is_not_set():
    _, decision = decided(policy(OWN_HOURS), visit(), clock_set=False)
    assert decision.outcome is Outcome.TELL


def test_the_cap_of_an_hour_is_of_any_hour():
    rules = policy({"cooldown_min": 0, "at_most_per_hour": 2})
    state, outcomes = PolicyState(), []
    for minute in (0, 50, 55, 59, 60, 61, 109, 110):
        state, decision = decided(rules, visit(), state, later(60 * minute))
        outcomes.append(decision.outcome is Outcome.TELL)
    assert outcomes == [True, True, False, False, True, False, False, True]
    _, decision = decided(rules, visit(), state, later(60 * 111))
    assert decision.reason.endswith('rule "rule 1" has told 2 of at most 2 in 60 min')


def test_only_the_first_of_the_day():
    rules = policy({"cooldown_min": 0, "only_first_of_day": True})
    state, _ = decided(rules, visit("squirrel"))
    _, decision = decided(rules, visit("squirrel"), state, later(3600))
    assert decision.reason.endswith('rule "rule 1" has told of this visitor already today')
    state, decision = decided(rules, visit("cat"), state, later(3600))
    assert decision.outcome is Outcome.TELL
    _, decision = decided(rules, visit("squirrel"), state, later(10 * 3600))  # the next local day
    assert decision.outcome is Outcome.TELL


def test_an_urgent_rule_heeds_no_quiet_hours():
    rules = policy({"urgent": True}, **QUIET)
    _, decision = decided(rules, visit())
    assert decision.outcome is Outcome.TELL
    assert decision.clauses[-1].text == 'rule "rule 1" is urgent, so quiet hours don\'t count'
    assert alert_for(rules, visit(), decision, START, True).urgent
    assert not alert_for(policy({}), visit(), decision, START, True).urgent


def test_old_alerts_are_forgotten():
    rules = policy({"cooldown_min": 1, "at_most_per_day": 1000})
    state = PolicyState()
    for hour in range(100):
        state, _ = decided(rules, visit(), state, later(3600 * hour))
    assert len(state.told) == 25


def test_naming_a_bird_does_not_lose_the_alert_of_its_group():
    named = visit("bird", "house finch", "Haemorhous mexicanus", sure=0.7, group_sure=0.95)
    for who in ("bird", "anything", ["house finch", "bird"]):
        _, decision = decided(policy({"visitor": who, "sure": 0.9}), named)
        assert decision.outcome is Outcome.TELL
        assert "95 % sure of a bird" in decision.clauses[1].text
    for who in ("house finch", "Haemorhous mexicanus"):
        _, decision = decided(policy({"visitor": who, "sure": 0.9}), named)
        assert decision.outcome is Outcome.SILENT
        assert "70 % sure of a house finch" in decision.reason


@pytest.mark.parametrize(
    ("sure", "asked", "says"),
    [
        (0.992, 0.995, '99 % sure, and rule "rule 1" asks for 99.5 %'),
        (0.9899999, 0.99, '98 % sure, and rule "rule 1" asks for 99 %'),
        (0.9951, 0.995, '99.5 % sure, and rule "rule 1" asks for 99.5 %'),
        (0.69996, 0.7, '69 % sure, and rule "rule 1" asks for 70 %'),
        (0.29, 0.29, '29 % sure, and rule "rule 1" asks for 29 %'),
        (0.5, 0.123456789, '50 % sure, and rule "rule 1" asks for 12.3456789 %'),
    ],
)
def test_certainties_have_as_many_digits_as_it_takes_to_be_true(sure, asked, says):
    _, decision = decided(policy({"sure": asked}), visit(sure=sure))
    assert decision.clauses[1].text == says


@pytest.mark.parametrize(
    ("stay_s", "asked_s", "says"),
    [
        (4.98, 5, "stayed 4.9 s so far"),
        (5.04, 5, "stayed 5.0 s so far"),
        (5.0123, 5.012, "stayed 5.012 s so far"),
    ],
)
def test_stays_have_as_many_digits_as_it_takes_to_be_true(stay_s, asked_s, says):
    _, decision = decided(policy({"shortest_stay_s": asked_s}), visit(stay_s=stay_s))
    assert decision.clauses[2].text == f'{says}, and rule "rule 1" asks for {asked_s} s'


def test_a_group_is_not_sure_of_its_species_only_where_it_has_some():
    rules, fox = policy({"visitor": ["not sure"]}), visit("fox")
    for group_of, outcome in (
        ({"red fox": "fox", "fox": "fox"}, Outcome.TELL),
        ({"fox": "fox"}, Outcome.SILENT),
    ):
        _, decision = decide(rules, PolicyState(), fox, START, True, sinks=SINKS, group_of=group_of)
        assert decision.outcome is outcome


def test_quiet_days_that_meet_are_one_stretch_with_one_bound():
    quiet = {"quiet": [{"from": "00:00", "to": "24:00", "days": ["Sat", "Sun"]}]}
    rules, state, sent = policy({"cooldown_min": 0}, hours=quiet), PolicyState(), 0
    for day in (-1, 0):  # START is a Sunday
        for number in range(MOST_HELD):
            state, decision = decided(rules, visit(number=number), state, later(day * 86400 + number))
            assert decision.outcome is Outcome.HOLD
            sent += bool(decision.sinks)
    assert sent == MOST_HELD
