"""Who was seen, how new that makes a visitor, and how many of them came."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from dooryard.core.errors import StoreError
from dooryard.core.records import Moment, Outcome, Visitor
from dooryard.policy.decide import decide
from dooryard.policy.newness import period_start
from dooryard.policy.seen import Over, Seen
from dooryard.policy.state import PolicyState
from fakes.rules import SINKS, START, later, policy, visit

FINCH = Visitor("bird", 0.9, "house finch")


def seen(*days: tuple[str, float], who=FINCH) -> PolicyState:
    found = Seen()
    for day, sure in days:
        found = found.seeing(replace(who, sure=sure), day)
    return PolicyState(seen=found)


def decided(rule, state=None, now=START, *, clock_set=True, lasting=(), seen_now=None):
    here = seen_now or visit("bird", "house finch")
    return decide(policy(rule), state or PolicyState(), here, now, clock_set, sinks=SINKS, lasting=lasting)[1]


def at(on, hour=12, minute=0):
    return Moment(datetime(*map(int, on.split("-")), hour, minute, tzinfo=UTC), START.mono_s)


# --- what is remembered ---


def test_of_each_visitor_the_last_day_is_known_at_each_certainty():
    found = seen(("2026-06-01", 0.95), ("2026-06-05", 0.7), ("2026-06-03", 0.8), ("2026-06-05", 0.6)).seen
    last = {sure: found.last_day("house finch", sure) for sure in (0.0, 0.7, 0.75, 0.8, 0.95, 0.96)}
    assert last == {
        0.0: date(2026, 6, 5), 0.7: date(2026, 6, 5), 0.75: date(2026, 6, 3), 0.8: date(2026, 6, 3),
        0.95: date(2026, 6, 1), 0.96: None,
    }  # fmt: skip
    assert found.last_day("great tit", 0.0) is None


def test_it_tells_the_same_as_a_list_of_all_days_and_stays_small():
    chance = random.Random(4)
    for _ in range(60):
        found, every = Seen(), []
        for _step in range(chance.choice((5, 40, 300))):
            day = (date(2026, 1, 1) + timedelta(days=chance.randrange(400))).isoformat()
            sure = chance.choice((0.5, 0.6, 0.7, chance.random()))
            found = found.seeing(replace(FINCH, sure=sure), day)
            every.append((day, sure))
        for sure in (0.0, 0.5, 0.6, 0.7, 0.9, chance.random()):
            days = [day for day, known in every if known >= sure]
            wanted = date.fromisoformat(max(days)) if days else None
            assert found.last_day("house finch", sure) == wanted
        assert len(found.days["house finch"]) <= 20


def test_what_is_not_dated_is_not_seen_and_what_says_nothing_new_changes_nothing():
    found = seen(("2026-06-05", 0.9)).seen
    assert found.seeing(FINCH, "") is found
    assert found.seeing(replace(FINCH, sure=0.5), "2026-06-05") is found


def test_visits_that_are_over_are_kept_for_an_hour():
    over = [visit("cat", start=later(-minutes * 60), number=minutes) for minutes in (61, 60, 59, 5)]
    found = Seen().ending(over, START.mono_s)
    assert [each.visit for each in found.over] == ["visit-59", "visit-5"]
    assert [each.visit for each in found.ending([visit("cat")], later(120).mono_s).over] == [
        "visit-5",
        "visit-1",
    ]
    assert found.ending([], later(9999).mono_s) is found


# --- saved and restored ---

STATE = PolicyState(
    seen=Seen(
        {
            "house finch": (("2026-06-01", 0.95), ("2026-06-05", 0.7)),
            "cat": (("2026-06-02", 0.1 + 0.2),),  # whose shortest text has 17 digits
        },
        (
            Over("v1", START.mono_s - 600, Visitor("bird", 0.9, "house finch", "Haemorhous mexicanus")),
            Over("v2", START.mono_s - 60, Visitor("cat", 0.8)),
        ),
    )
)


def test_a_restart_within_one_boot_changes_nothing():
    text = STATE.to_json(later(5), boot="b1")
    assert PolicyState.from_json(text, later(500), boot="b1") == STATE


def test_over_a_reboot_days_stay_and_ages_stand_still_until_the_outage_is_counted():
    text = STATE.to_json(START, boot="b1", clock_set=True)
    now = Moment(later(1800).wall, 12.0)
    restored = PolicyState.from_json(text, now, boot="b2")
    assert restored.seen.days == STATE.seen.days
    assert [now.mono_s - each.start_s for each in restored.seen.over] == [600, 60]
    fresh = Seen.ending(restored.seen, [visit("cat", start=later(3, now), number=9)], now.mono_s + 20)
    counted = replace(restored, seen=fresh).outage_counted(later(60, now)).seen
    assert [now.mono_s - each.start_s for each in counted.over] == [2400, 1860, -3]


def test_a_state_of_a_version_that_kept_nothing_of_it_is_read():
    old = json.loads(STATE.to_json(START))
    del old["seen"], old["over"]
    assert PolicyState.from_json(json.dumps(old), START).seen == Seen()


GOOD = json.loads(STATE.to_json(START))


@pytest.mark.parametrize(
    "wrong",
    [
        {"seen": []},
        {"seen": {"cat": [["yesterday", 0.5]]}},
        {"seen": {"cat": [["2026-06-01", "0.5"]]}},
        {"seen": {"cat": [["2026-06-01", 0.5], ["2026-06-02", 0.6]]}},
        {"seen": {"cat": [["2026-06-01", 0.5], ["2026-06-01", 0.4]]}},
        {"seen": {"cat": 3}},
        {"over": {}},
        {"over": [3]},
        {"over": [{**GOOD["over"][0], "ago_s": None}]},
        {"over": [{**GOOD["over"][0], "group": None}]},
        {"over": [{**GOOD["over"][0], "species": 3}]},
    ],
)
def test_a_damaged_record_is_said_with_a_remedy(wrong):
    with pytest.raises(StoreError, match="the saved cooldowns cannot be read"):
        PolicyState.from_json(json.dumps({**GOOD, **wrong}), START)


# --- new ---


@pytest.mark.parametrize(
    ("today", "season"),
    [
        ("2026-03-01", "2026-03-01"), ("2026-02-28", "2025-12-01"), ("2028-02-29", "2027-12-01"),
        ("2026-05-31", "2026-03-01"), ("2026-06-01", "2026-06-01"), ("2026-08-31", "2026-06-01"),
        ("2026-09-01", "2026-09-01"), ("2026-11-30", "2026-09-01"), ("2026-12-01", "2026-12-01"),
        ("2026-12-31", "2026-12-01"), ("2027-01-01", "2026-12-01"),
    ],
)  # fmt: skip
def test_seasons_are_the_meteorological_ones(today, season):
    """Three calendar months each, winter from December: the World Meteorological Organization's division."""
    assert period_start("season", date.fromisoformat(today)) == date.fromisoformat(season)


@pytest.mark.parametrize(
    ("new", "last", "today", "takes"),
    [
        ("ever", None, "2026-06-14", True),
        ("ever", "2016-06-14", "2026-06-14", False),
        ("year", "2026-12-31", "2027-01-01", True),
        ("year", "2027-01-01", "2027-01-01", False),
        ("year", "2027-01-01", "2027-12-31", False),
        ("season", "2026-12-01", "2027-02-28", False),
        ("season", "2026-11-30", "2027-01-05", True),
        ("season", "2028-02-29", "2028-03-01", True),
        ("season", "2027-07-01", "2027-06-15", False),  # the clock was set back since
    ],
)
def test_new(new, last, today, takes):
    state = seen((last, 0.9)) if last else PolicyState()
    decision = decided({"new": new}, state, at(today))
    assert (decision.outcome is Outcome.TELL) is takes
    assert decision.clauses[2].name == "new"


def test_the_year_is_the_place_s_own():
    state = seen(("2026-12-31", 0.9))
    rule = {"name": "new", "visitor": ["anything"], "new": "year"}
    east = policy(rule).model_copy(
        update={"place": policy(rule).place.model_copy(update={"time_zone": "Pacific/Auckland"})}
    )
    for hour, outcome in ((10, Outcome.SILENT), (11, Outcome.TELL)):  # UTC+13: the year begins at 11:00
        now = at("2026-12-31", hour)
        assert decide(east, state, visit("bird", "house finch"), now, True, sinks=SINKS)[1].outcome is outcome


@pytest.mark.parametrize(("sure", "takes"), [(0.7, False), (0.71, True), (0.0, False)])
def test_earlier_visits_count_if_they_were_as_certain_as_the_rule_asks(sure, takes):
    decision = decided({"new": "ever", "sure": sure}, seen(("2026-06-01", 0.7)))
    assert (decision.outcome is Outcome.TELL) is takes


def test_a_species_is_told_apart_from_its_group():
    state = seen(("2026-06-01", 0.9), who=Visitor("bird", 0.9))
    assert decided({"new": "ever"}, state).outcome is Outcome.TELL
    assert decided({"new": "ever"}, state, seen_now=visit("bird")).outcome is Outcome.SILENT


def test_the_reason_says_when_it_was_seen():
    decision = decided({"name": "first", "new": "season"}, seen(("2026-06-02", 0.9)))
    assert decision.reason.endswith(
        '"house finch" was seen here with at least 50 % on 2 June 2026, and rule "first" asks for one '
        "that is new since 1 June 2026"
    )


@pytest.mark.parametrize("rule", [{"new": "ever"}, {"unseen_days": 3}])
def test_while_the_clock_is_not_set_nobody_knows(rule):
    decision = decided(rule, clock_set=False)
    assert decision.outcome is Outcome.SILENT
    assert decision.reason.endswith("the clock is not set, so it is not known whether it is new")


@pytest.mark.parametrize(
    ("last", "days", "today", "takes"),
    [
        (None, 3650, "2026-06-14", True),
        ("2026-06-13", 1, "2026-06-14", True),
        ("2026-06-14", 1, "2026-06-14", False),
        ("2026-06-08", 7, "2026-06-14", False),
        ("2026-06-07", 7, "2026-06-14", True),
        ("2028-02-28", 2, "2028-03-01", True),  # over 29 Feb
        ("2027-02-28", 2, "2027-03-01", False),
    ],
)
def test_unseen_days(last, days, today, takes):
    decision = decided({"unseen_days": days}, seen((last, 0.9)) if last else None, at(today))
    assert (decision.outcome is Outcome.TELL) is takes
    assert decision.clauses[2].name == "unseen"


def test_both_must_hold():
    both = {"new": "season", "unseen_days": 30}
    assert decided(both, seen(("2026-05-31", 0.9)), at("2026-06-14")).outcome is Outcome.SILENT
    assert decided(both, seen(("2026-05-10", 0.9)), at("2026-06-14")).outcome is Outcome.TELL
    assert decided(both, seen(("2026-06-01", 0.9)), at("2026-07-14")).outcome is Outcome.SILENT


@pytest.mark.parametrize("rule", [{"new": "ever"}, {"unseen_days": 2}, {"at_once": 2}, {"visits_in_hour": 2}])
def test_no_later_rule_waits_for_it(rule):
    rules = policy({**rule, "name": "first"}, {"name": "second"})
    state = seen(("2026-06-14", 0.9))
    _, decision = decide(rules, state, visit("bird", "house finch", stay_s=1.5), START, True, sinks=SINKS)
    assert (decision.outcome, decision.rule) == (Outcome.TELL, "second")


def test_the_clauses_come_in_order():
    rule = {
        "dates": {"from": "1 Jan", "to": "31 Dec"}, "hours": {"from": "00:00", "to": "24:00"}, "new": "ever",
        "unseen_days": 1, "shortest_stay_s": 1, "at_once": 2, "visits_in_hour": 2,
    }  # fmt: skip
    decision = decided(rule, lasting=[visit("cat", number=2)])
    names = [clause.name for clause in decision.clauses]
    assert names[:9] == ["visitor", "dates", "hours", "sure", "stay", "at once", "visits in the hour", "new",
                         "unseen"]  # fmt: skip


# --- how many ---


def birds(count, **more):
    return [visit("bird", number=number, **more) for number in range(2, count + 2)]


@pytest.mark.parametrize(("others", "takes"), [(0, False), (1, False), (2, True), (3, True)])
def test_at_once_counts_itself_and_who_else_is_here(others, takes):
    decision = decided({"visitor": "bird", "at_once": 3}, lasting=[*birds(others), visit("cat", number=99)])
    assert (decision.outcome is Outcome.TELL) is takes
    count = f"{others + 1} visit{'s' if others else ''}"
    assert decision.clauses[2].text == f'{count} of its visitors here, and rule "rule 1" asks for 3 at once'


def test_itself_counts_once_and_certainty_does_not_matter():
    here = visit("bird", "house finch")
    rule = {"visitor": "bird", "at_once": 2, "sure": 0.8}
    assert decided(rule, lasting=[here], seen_now=here).outcome is Outcome.SILENT
    unsure = visit("bird", sure=0.1, number=2)
    assert decided(rule, lasting=[here, unsure], seen_now=here).outcome is Outcome.TELL


def test_a_visit_that_is_over_is_not_at_once_with_anybody():
    over = visit("bird", ended=True)
    assert decided({"at_once": 2}, lasting=birds(5), seen_now=over).reason.endswith("asks for 2 at once")


@pytest.mark.parametrize(("age_s", "takes"), [(3599.9, True), (3600.0, False)])
def test_visits_in_the_hour_are_those_that_began_in_it(age_s, takes):
    began = Over("v9", START.mono_s - age_s, Visitor("bird", 0.1))
    state = PolicyState(seen=Seen(over=(began, Over("v8", START.mono_s, Visitor("cat", 0.9)))))
    rule = {"visitor": "bird", "visits_in_hour": 3}
    decision = decided(rule, state, lasting=birds(1))
    assert (decision.outcome is Outcome.TELL) is takes
    assert decision.clauses[2].text.startswith(f"{3 if takes else 2} visits of its visitors in 60 min")


def test_a_visit_that_is_over_counts_itself_once():
    over = visit("bird", ended=True)
    state = PolicyState(seen=Seen().ending([over, visit("bird", number=2)], START.mono_s))
    assert decided({"visits_in_hour": 2}, state, seen_now=over).outcome is Outcome.TELL
    assert decided({"visits_in_hour": 3}, state, seen_now=over).outcome is Outcome.SILENT


def test_a_step_of_the_clock_changes_no_count():
    state = PolicyState(seen=Seen().ending([visit("bird", number=2)], START.mono_s))
    now = Moment(START.wall + timedelta(days=400), START.mono_s + 60)
    assert decided({"visits_in_hour": 2}, state, now, clock_set=False).outcome is Outcome.TELL
