"""What the policy says of one sink alone: its quiet hours, its limits, and what is wrong with them."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Outcome
from dooryard.policy.changes import policy_changes
from dooryard.policy.decide import decide
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.policy.sink_hours import summary_at
from dooryard.policy.sink_limits import MOST_HELD
from dooryard.policy.state import PolicyState, Told
from fakes.rules import SINKS, START, later, policy, visit

EVENING = later(8 * 3600 + 27 * 60)  # 22:30 in London
NIGHT = {"from": "22:00", "to": "06:00"}
PHONE_QUIET = {"name": "phone", "quiet": NIGHT}
FREE = {"cooldown_min": 0, "at_most_per_day": 1000}


def decided(rules, state=None, now=EVENING, *, clock_set=True, **seen):
    seen = visit("cat", start=now, **seen)
    return decide(rules, state or PolicyState(), seen, now, clock_set, sinks=SINKS)


def test_it_is_told_to_those_that_are_not_quiet_and_waits_for_the_others():
    state, decision = decided(policy({"send_to": ["phone", "post"]}, sink=[PHONE_QUIET]))
    assert (decision.outcome, decision.sinks) == (Outcome.TELL, ("post", "phone"))
    assert decision.reason == (
        'sent: Alder Row, a cat: by rule "rule 1" to post; to phone later, which is quiet until 06:00'
    )
    assert decision.clauses[-1].text == "phone is quiet until 06:00, and post not"
    assert decision.clauses[-1].passed
    assert state.told[-1].sinks == ("post",)
    assert (state.held, [count for _sink, _until, count in state.held_by]) == (0, [1])


def test_with_summary_the_quiet_ones_do_not_get_it():
    rules = policy({}, hours={"when_quiet_ends": "summary"}, sink=[PHONE_QUIET])
    _, decision = decided(rules)
    assert (decision.outcome, decision.sinks) == (Outcome.TELL, ("post",))
    assert decision.reason.endswith("to post; not to phone, which is quiet until 06:00")


def test_where_all_are_quiet_it_is_held_for_each_until_its_own_end():
    rules = policy({}, sink=[PHONE_QUIET, {"name": "post", "quiet": {"from": "22:15", "to": "09:00"}}])
    state, decision = decided(rules)
    assert (decision.outcome, decision.sinks) == (Outcome.HOLD, ("phone", "post"))
    assert decision.reason.endswith("phone is quiet until 06:00, post is quiet until 09:00")
    assert state.told == ()


def test_where_all_are_quiet_alike_it_says_what_it_always_said():
    rules = policy({}, hours={"quiet": NIGHT}, sink=[{"name": "phone", "quiet": NIGHT}])
    _, decision = decided(rules)
    _, before = decided(policy({}, hours={"quiet": NIGHT}))
    assert (decision.outcome, decision.sinks, decision.reason) == (
        before.outcome, before.sinks, before.reason
    )  # fmt: skip


def test_an_urgent_rule_and_a_clock_that_is_not_set_heed_no_quiet_hours():
    urgent = policy({"urgent": True}, sink=[PHONE_QUIET])
    assert decided(urgent)[1].sinks == ("phone", "post")
    unset = decided(policy({}, sink=[PHONE_QUIET]), clock_set=False)[1]
    assert (unset.outcome, unset.sinks) == (Outcome.TELL, ("phone", "post"))


def test_twelve_wait_for_a_sink_in_one_stretch_and_the_rest_go_without_it():
    rules = policy(FREE, sink=[PHONE_QUIET])
    state, to = None, []
    for k in range(MOST_HELD + 2):
        state, decision = decided(rules, state, later(60 * k, EVENING))
        to.append("phone" in decision.sinks)
    assert to == [True] * MOST_HELD + [False] * 2
    assert decision.outcome is Outcome.TELL
    assert decision.reason.endswith("not to phone, for which 12 are held already")
    _, next_night = decided(rules, state, later(86400, EVENING))
    assert "phone" in next_night.sinks


def test_what_is_held_beyond_twelve_for_all_is_in_the_summary_only():
    both = [PHONE_QUIET, {"name": "post", "quiet": NIGHT}]
    state = None
    for k in range(MOST_HELD + 1):
        state, decision = decided(policy(FREE, sink=both), state, later(60 * k, EVENING))
    assert (decision.outcome, decision.sinks) == (Outcome.HOLD, ())
    assert decision.reason.endswith("and 12 are held already: the summary tells of it")


@pytest.mark.parametrize(
    ("bound", "text"),
    [("at_most_per_hour", "has had 2 of at most 2 in 60 min"), ("at_most_per_day", "2 of at most 2 today")],
)
def test_a_sink_at_its_limit_drops_out(bound, text):
    rules = policy(FREE, {"name": "to phone", **FREE}, sink=[{"name": "phone", bound: 2}])
    state = None
    for k in range(3):
        state, decision = decided(rules, state, later(60 * k))
    assert decision.sinks == ("post",)
    assert text in decision.reason
    assert [clause.passed for clause in decision.clauses if clause.name == "limit of a sink"] == [False]
    later_s = 3600 if bound == "at_most_per_hour" else 86400 / 2
    assert decided(rules, state, later(later_s))[1].sinks == ("phone", "post")


def test_where_every_sink_is_at_its_limit_nobody_is_told():
    only = [{"name": name, "at_most_per_hour": 1} for name in ("phone", "post")]
    rules = policy(FREE, sink=only)
    state, _ = decided(rules, now=START)
    after, decision = decided(rules, state, later(60))
    assert (decision.outcome, decision.sinks, after) == (Outcome.SILENT, (), state)
    assert decision.reason == (
        "not sent: Alder Row, a cat: phone has had 1 of at most 1 in 60 min;"
        " post has had 1 of at most 1 in 60 min"
    )


def test_urgent_alerts_count_and_nothing_stops_them():
    rules = policy(
        {"name": "cat", "visitor": "cat", "urgent": True, **FREE}, {"name": "fox", "visitor": "fox", **FREE},
        sink=[{"name": "phone", "at_most_per_hour": 1}],
    )  # fmt: skip
    state, _ = decided(rules)
    state, again = decided(rules, state, later(60, EVENING))
    assert again.sinks == ("phone", "post")
    assert any("2 of" in clause.text or "1 of at most 1" in clause.text for clause in again.clauses)
    _, fox = decide(rules, state, visit("fox"), later(120, EVENING), True, sinks=SINKS)
    assert fox.sinks == ("post",)


def test_what_waits_counts_toward_no_limit():
    rules = policy(FREE, sink=[PHONE_QUIET | {"at_most_per_day": 1}])
    state = None
    for k in range(3):
        state, decision = decided(rules, state, later(60 * k, EVENING))
        assert decision.sinks == ("post", "phone")


def test_limits_come_after_cooldown_and_caps():
    rules = policy({"cooldown_min": 10}, sink=[{"name": "phone", "at_most_per_hour": 1}])
    state, _ = decided(rules)
    _, decision = decided(rules, state, later(60, EVENING))
    assert "cooldown" in decision.reason


def test_a_day_s_limit_while_the_clock_is_not_set():
    rules = policy(FREE, sink=[{"name": name, "at_most_per_day": 1} for name in SINKS])
    state, _ = decided(rules, clock_set=False)
    for hours, outcome in ((24, Outcome.SILENT), (26, Outcome.TELL)):
        now = later(hours * 3600, EVENING)
        assert decided(rules, state, now, clock_set=False)[1].outcome is outcome


def test_it_is_remembered_over_a_restart_and_earlier_states_are_read():
    state, _ = decided(policy({}, sink=[PHONE_QUIET]))
    text = state.to_json(later(5, EVENING), "b1")
    assert PolicyState.from_json(text, later(9, EVENING), "b1") == state
    old = json.loads(text)
    del old["held_by"], old["told"][0]["sinks"]
    restored = PolicyState.from_json(json.dumps(old), later(9, EVENING), "b1")
    assert restored == replace(state, held_by=(), told=(state.told[0]._replace(sinks=()),))


@pytest.mark.parametrize(
    "damaged",
    [
        {"held_by": {}},
        {"held_by": [["phone", "x"]]},
        {"held_by": [["phone", "x", "1"]]},
        {"held_by": [3]},
        {"told": [{"rule": "r", "visitor": "cat", "day": "", "ago_s": 1, "sinks": "phone"}]},
        {"told": [{"rule": "r", "visitor": "cat", "day": "", "ago_s": 1, "sinks": [3]}]},
    ],
)
def test_a_damaged_state_is_said(damaged):
    good = json.loads(PolicyState((Told("r", "cat", 1.0, ""),)).to_json(START))
    with pytest.raises(StoreError):
        PolicyState.from_json(json.dumps(good | damaged), START)


def test_when_each_sink_gets_its_summary():
    sinks = [{"name": "phone", "summary_at": "07:00"}, {"name": "hut", "summary_at": "never"}]
    rules = policy({}, summary={"at": "20:00", "send_to": ["post", "hut"]}, sink=sinks)
    at = {name: str(summary_at(rules, name)) for name in ("phone", "post", "hut", "shed")}
    assert at == {"phone": "07:00", "post": "20:00", "hut": "None", "shed": "None"}


PHONE = '[[sink]]\nname = "phone"\n'
LOST = """quiet = { from = "21:00", to = "07:00" }
summary_at = "never"
[hours]
when_quiet_ends = "summary"
"""
NO_SUMMARY = 'what comes in quiet hours is told in the summary, and "phone" gets none: set its summary_at'
NEVER_COUNTS = "never counts: at_most_per_day is 8, which is less; change one of them"
NO_PLACE = "needs to know where: add place.latitude and place.longitude"


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('[[sink]]\nname = "phnoe"',
         '2: sink[1].name: the box has no sink "phnoe" (did you mean "phone"?); it has: phone, post'),
        ('[[sink]]\nname = "all"', '2: sink[1].name: "all" means every sink; name one of them'),
        (PHONE + 'instead = "shed"', '3: sink[1].instead: the box has no sink "shed"; it has: phone, post'),
        (PHONE + 'instead = "phone"',
         '3: sink[1].instead: "phone" cannot stand in for itself; name another sink, or take this out'),
        (PHONE + PHONE, '4: sink[2].name: "phone" is the name of sink[1] too; give another'),
        (PHONE + 'summary_at = "sunset"', f"3: sink[1].summary_at: sunset {NO_PLACE}"),
        (PHONE + 'quiet = { from = "dusk", to = "07:00" }', f"3: sink[1].quiet.from: dusk {NO_PLACE}"),
        (PHONE + 'quiet = [{ from = "07:00", to = "07:00" }]',
         '3: sink[1].quiet[1]: begins when it ends; for the whole day write from = "00:00", to = "24:00"'),
        (PHONE + 'summary_at = "25:00"',
         "3: sink[1].summary_at: there is no 25:00 in a day; write 00:00 to 24:00"),
        (PHONE + "at_most_per_hour = 0", "3: sink[1].at_most_per_hour: must be at least 1"),
        (PHONE + "quite = []", '3: sink[1].quite: unknown key (did you mean "quiet"?)'),
    ],
)  # fmt: skip
def test_problems(text, problem):
    with pytest.raises(ConfigError) as caught:
        parse_policy(text, "p.toml", sinks=SINKS)
    assert caught.value.what.splitlines() == [f"p.toml:{problem}"]


def test_a_circle_is_a_problem_of_each_that_is_in_it():
    chain = (("phone", "post"), ("post", "phone"), ("hut", "post"))
    text = "".join(f'[[sink]]\nname = "{a}"\ninstead = "{b}"\n' for a, b in chain)
    with pytest.raises(ConfigError) as caught:
        parse_policy(text, "p.toml", sinks=frozenset({"phone", "post", "hut"}))
    end = "take out one of these insteads"
    assert caught.value.what.splitlines() == [
        f"p.toml:3: sink[1].instead: goes round in a circle: phone -> post -> phone; {end}",
        f"p.toml:6: sink[2].instead: goes round in a circle: post -> phone -> post; {end}",
    ]


@pytest.mark.parametrize(
    ("text", "warning"),
    [
        ("at_most_per_hour = 9\nat_most_per_day = 8",
         f"3: sink[1].at_most_per_hour: {NEVER_COUNTS}"),
        ("", '1: sink[1]: says nothing of "phone"; add a key, or take it out'),
        ("quiet = []\ninstead_after_min = 5",
         "4: sink[1].instead_after_min: never counts without instead; name that sink, too"),
        (LOST, f"1: sink[1]: {NO_SUMMARY}"),
    ],
)  # fmt: skip
def test_warnings(text, warning):
    assert list(parse_policy(PHONE + text, "p.toml", sinks=SINKS).warnings) == [f"p.toml:{warning}"]


def test_a_chain_of_insteads_is_no_circle():
    text = "".join(f'[[sink]]\nname = "{a}"\ninstead = "{b}"\n' for a, b in ("ab", "bc"))
    assert parse_policy(text, "p.toml", sinks=frozenset("abc")).warnings == ()


def test_what_changed_is_named():
    a = policy({}, sink=[PHONE_QUIET])
    b = policy({}, sink=[PHONE_QUIET | {"quiet": []}, {"name": "post", "summary_at": "07:00"}])
    assert policy_changes(a, b) == [
        'sink "phone": quiet: [{ from = 22:00, to = 06:00 }] -> []', 'sink "post": new',
    ]  # fmt: skip
    assert policy_changes(Policy(), Policy()) == []


def test_the_end_of_a_sink_s_stretch_is_its_own():
    """Quiet hours that meet are one stretch, of this sink alone."""
    two = [{"from": "20:00", "to": "23:00"}, {"from": "23:00", "to": "05:00"}]
    night = {"quiet": {"from": "23:30", "to": "06:00"}}
    rules = policy(FREE, hours=night, sink=[{"name": "phone", "quiet": two}])
    state = None
    for now in (EVENING, later(45 * 60, EVENING), later(5 * 3600, EVENING)):
        state, _ = decided(rules, state, now)
    counts = {sink: count for sink, _until, count in state.held_by}
    assert counts == {"phone": 3, "post": 1}
