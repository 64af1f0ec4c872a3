"""Every example that policies/README.md gives of how hours, rules and steps are read is true."""

from __future__ import annotations

import re
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.records import Moment, Outcome
from dooryard.health import thermal
from dooryard.health.thermal import HeatState, steps_of, throttle_of
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.almanac import hours_table
from dooryard.policy.decide import decide
from dooryard.policy.holding import held_back
from dooryard.policy.hours import quiet_until
from dooryard.policy.parse import parse_policy
from dooryard.policy.say import still_here
from dooryard.policy.schema import Policy
from dooryard.policy.seen import Seen
from dooryard.policy.sink_hours import as_for
from dooryard.policy.sink_limits import MOST_HELD
from dooryard.policy.state import PolicyState
from dooryard.policy.still_here import is_still_here
from dooryard.service.summaries import tell_summary
from fakes.absences import LONDON, Play
from fakes.away import Away
from fakes.rules import SINKS, START, later, policy, visit

TEXT = (Path(__file__).parents[3] / "policies" / "README.md").read_text(encoding="utf-8")
SECTION = TEXT.partition("## How hours, rules and steps are read")[2].partition("## Keys")[0]
PLACES = {
    "51.75 N": {"latitude": 51.752, "longitude": -1.258, "time_zone": "Europe/London"},
    "69.65 N": {"latitude": 69.65, "longitude": 18.96, "time_zone": "Europe/Oslo"},
}
ROWS = re.findall(
    r"^\| `(\S+)` \| `(\S+)` \| (\S+ N) \| (\w+ \d+ \w+ \d+) \| ([^|]+) \|", SECTION, re.MULTILINE
)
EXAMPLES = [" ".join(each.split()) for each in re.findall(r" \*([^*]+)\*\n", SECTION)]


@pytest.mark.parametrize(("opens", "closes", "where", "on", "is_open"), ROWS, ids=str)
def test_a_window_is_open_as_the_reference_says(opens, closes, where, on, is_open):
    day = datetime.strptime(on, "%a %d %b %Y").date()  # noqa: DTZ007  (a date)
    rules = Policy.model_validate(
        {"place": PLACES[where], "hours": {"watch": {"from": opens, "to": closes, "days": [on[:3]]}}}
    )
    line = hours_table(rules, day, 1).splitlines()[2]
    assert line.startswith(on)
    assert f"  {is_open}  never" in line


def decided(rules, seen, state=None, now=START, **more):
    return decide(rules, state or PolicyState(), seen, now, True, sinks=SINKS, **more)


def no_rule():
    rules = parse_policy('[place]\nname = "Alder Row"', "p.toml").value
    _, decision = decided(rules, visit("cat"))
    assert (decision.outcome, decision.sinks) == (Outcome.TELL, ("phone", "post"))


def waiting():
    rules = policy({"name": "first", "shortest_stay_s": 8}, {"name": "second"})
    at = [decided(rules, visit(stay_s=stay_s))[1].rule for stay_s in (1.5, 7.9, 8)]
    assert at == [None, None, "first"]
    assert decided(rules, visit(stay_s=5))[1].rule is None
    assert decided(rules, visit(stay_s=5, ended=True))[1].rule == "second"
    finch = policy({"name": "finch", "visitor": "house finch"}, {"name": "birds", "visitor": "bird"})
    at = [decided(finch, visit("bird", stay_s=stay_s))[1].rule for stay_s in (1.5, 9.9, 10)]
    assert at == [None, None, "birds"]


def certainty():
    named = visit("bird", "house finch", sure=0.7, group_sure=0.95)
    assert decided(policy({"visitor": "bird", "sure": 0.9}), named)[1].outcome is Outcome.TELL
    assert decided(policy({"visitor": "house finch", "sure": 0.9}), named)[1].outcome is Outcome.SILENT


def own_cooldowns():
    rules = policy(
        {
            "name": "finches",
            "visitor": "house finch",
            "at_most_per_day": 1,
            "hours": {"from": "14:00", "to": "14:04"},
        },
        {"name": "birds", "visitor": "bird"},
    )
    finch = visit("bird", "house finch")
    state, first = decided(rules, finch)
    _, second = decided(rules, finch, state, later(60))
    assert (first.rule, second.rule) == ("finches", "birds")
    assert second.outcome is Outcome.TELL


def outage():
    rules = policy({"cooldown_min": 240})
    state, _ = decided(rules, visit())
    text = state.to_json(START, "b1", clock_set=True)
    now = Moment(later(12 * 3600).wall, 5.0)
    restored = PolicyState.from_json(text, now, "b2").outage_counted(now)
    assert decided(rules, visit(), restored, now)[1].outcome is Outcome.TELL


def quiet():
    rules = policy({"send_to": ["phone"]}, hours={"quiet": {"from": "21:00", "to": "07:00"}})
    at = later(7 * 3600 + 27 * 60)  # 21:30 in London
    _, decision = decided(rules, visit(), now=at)
    assert (decision.outcome, decision.sinks) == (Outcome.HOLD, ("phone",))
    morning = quiet_until(rules, at.wall)
    assert (morning - at.wall) == timedelta(hours=9, minutes=30)
    assert held_back(rules, "visit", at.wall, morning - timedelta(seconds=1), clock_set=True)
    assert not held_back(rules, "visit", at.wall, morning, clock_set=True)
    assert MOST_HELD == 12


EVENING = later(8 * 3600 + 27 * 60)  # 22:30 in London


def own_quiet():
    own = {"name": "phone", "quiet": {"from": "22:00", "to": "06:00"}}
    rules = policy({"cooldown_min": 4}, hours={"quiet": {"from": "23:00", "to": "07:00"}}, sink=[own])
    state, decision = decided(rules, visit("cat"), now=EVENING)
    assert (decision.outcome, decision.sinks) == (Outcome.TELL, ("post", "phone"))
    assert "to post; to phone later, which is quiet until 06:00" in decision.reason
    assert decided(rules, visit("cat"), state, later(60, EVENING))[1].outcome is Outcome.SILENT
    six = EVENING.wall + timedelta(hours=7, minutes=30)
    asked = (
        ("phone", EVENING.wall),
        ("phone", six - timedelta(seconds=1)),
        ("phone", six),
        ("post", EVENING.wall),
    )
    waits = [held_back(as_for(rules, sink), "visit", EVENING.wall, at, clock_set=True) for sink, at in asked]
    assert waits == [True, True, False, False]


def own_limits():
    rules = policy(
        {"name": "finch", "visitor": "house finch", "cooldown_min": 0},
        {"name": "cat", "visitor": "cat", "urgent": True},
        sink=[{"name": "phone", "at_most_per_hour": 2}],
    )
    state, to = None, []
    for k in range(3):
        state, decision = decided(rules, visit("bird", "house finch"), state, later(60 * k))
        to.append(decision.sinks)
    assert to == [("phone", "post"), ("phone", "post"), ("post",)]
    assert "phone has had 2 of at most 2 in 60 min" in decision.reason
    assert decided(rules, visit("cat"), state, later(180))[1].sinks == ("phone", "post")


def own_summary():
    rules = policy({"cooldown_min": 0}, sink=[{"name": "phone", "summary_at": "07:00"}])
    given = Conditions(rules, None, None, SINKS)
    with TemporaryDirectory() as folder, closing(Store.open(Path(folder) / "state", FakeClock())) as store:
        for half_hour in range(2 * 36):
            at = later(1800 * half_hour)
            if half_hour == 15:  # the visit was at 21:30
                seen = visit("cat", start=later(7 * 3600 + 27 * 60), ended=True)
                store.record_visit(seen, None, decided(rules, seen, now=at)[1], [], clock_set=True)
            tell_summary(store, given, at)
        told = {sink: [store.alert(each.alert) for each in store.pending(sink)] for sink in SINKS}
    of_cat = {
        sink: [f"{each.wall.astimezone(rules.place.zone):%d %H}" for each in alerts if "Cat" in each.text]
        for sink, alerts in told.items()
    }
    assert of_cat == {"phone": ["15 07"], "post": ["15 20"]}


def in_its_place():
    rules = policy({}, sink=[{"name": "phone", "instead": "post", "instead_after_min": 15}])
    away = Away(rules, from_s=0, to_s=57 * 60)  # from 14:03 to 15:00
    away.play(visits=[0], until_s=2 * 3600)
    assert away.got["post"] == [("visit-1", "14:18", True)]
    ((of, at, marked),) = away.got["phone"]
    assert (of, marked) == ("visit-1", False)
    assert "15:00" <= at <= "15:05"


def read(steps, sensor, values, every_s=10.0):
    state = HeatState()
    for k, value in enumerate(values):
        state, _news = thermal.advance(state, steps, {sensor: (every_s * k, value)}, every_s * k)
    return throttle_of(steps, state).because


def median():
    table = {"sensor": "cpu", "above_c": 72, "until_below_c": 66, "frames_per_s": 2}
    steps = steps_of(Policy.model_validate({"heat": [table]}))
    assert read(steps, "cpu", [60.0, 125.0, 60.0]) == ()
    assert read(steps, "cpu", [60.0, 73.0, 73.0]) == ("cpu above 72",)


def low_power():
    steps = steps_of(Policy.model_validate({"low_power": {"look_every_s": 3}}))
    for well, holds in ((59, True), (63, False)):  # readings ten seconds apart
        found = read(steps, "low-power", [0.0, 1.0, 1.0] + [0.0] * well)
        assert (found == ("low power",)) is holds


def dates():
    rules = policy({"dates": {"from": "1 Nov", "to": "15 Mar"}})
    on = {"10-31": False, "11-01": True, "01-01": True, "03-15": True, "03-16": False}
    for day, taken in on.items():
        now = Moment(datetime.fromisoformat(f"2026-{day}T12:00:00+00:00"), START.mono_s)
        assert (decided(rules, visit(), now=now)[1].outcome is Outcome.TELL) is taken


def seen_though_not_told():
    rules = policy({"visitor": "cat", "sure": 0.95}, {"name": "new", "visitor": "cat", "new": "ever"})
    state = PolicyState(seen=Seen().seeing(visit("cat").visitor, "2026-06-01"))
    assert decided(rules, visit("cat", stay_s=20))[1].rule == "new"
    assert decided(rules, visit("cat", stay_s=20), state)[1].outcome is Outcome.SILENT


def newness():
    finch = visit("bird", "house finch")
    state = PolicyState(seen=Seen().seeing(finch.visitor, "2026-11-30"))

    def taken(on, **asked):
        now = Moment(datetime.fromisoformat(f"{on}T12:00:00+00:00"), START.mono_s)
        return decided(policy(asked), finch, state, now)[1].outcome is Outcome.TELL

    assert taken("2026-12-01", new="season")
    assert not taken("2026-12-01", new="year")
    assert taken("2026-12-07", unseen_days=7)
    assert not taken("2026-12-06", unseen_days=7)


def company():
    here = [visit("bird", number=1), visit("bird", "house finch", number=2), visit("bird", number=3)]
    for names, outcome in (("bird", Outcome.TELL), ("house finch", Outcome.SILENT)):
        rules = policy({"visitor": names, "at_once": 3})
        assert decided(rules, here[1], lasting=here)[1].outcome is outcome


def out_of_season():
    rules = policy({"shortest_stay_s": 8, "dates": {"from": "1 Jan", "to": "31 Jan"}}, {"name": "second"})
    assert decided(rules, visit(stay_s=2))[1].rule == "second"


def still_here_once():
    rules = policy({"visitor": "cat", "still_here_min": 10})
    _, decision = decided(rules, visit("cat", stay_s=2))
    due = [is_still_here(rules, visit("cat", stay_s=stay_s), decision) for stay_s in (2, 599.9, 600)]
    assert due == [False, False, True]
    said = still_here(rules, visit("cat", stay_s=600), decision)
    assert said == "The cat is still here after 10 min"


def absent():
    awaited = {"name": "none by ten", "by": "10:00"}
    play = Play(policy({}, absence=[awaited]), datetime(2026, 6, 14, 8, 0, tzinfo=LONDON))
    told = play.watch(2 * 3600 + 60)
    assert [each.over for each in told] == [False]
    assert [each.over for each in play.watch(3600) + play.comes(visit("bird", "house finch"))] == [True]
    assert [each.over for each in play.watch(23 * 3600)] == [False]


def paused():
    rules = policy(
        {"cooldown_min": 60}, hours={"quiet": []},
        pause=[{"name": "holidays", "dates": {"from": "20 Dec", "to": "3 Jan"}}],
    )  # fmt: skip
    now = Moment(datetime(2027, 1, 1, 12, 0, tzinfo=LONDON), 5.0)
    state, decision = decided(rules, visit("squirrel"), now=now)
    assert (decision.outcome, decision.sinks, state) == (Outcome.HOLD, (), PolicyState())
    assert decision.reason.endswith('a squirrel: pause "holidays" until 3 Jan')
    end = datetime(2027, 1, 4, tzinfo=LONDON)
    assert held_back(rules, "summary", now.wall, end - timedelta(seconds=1), clock_set=True)
    assert not held_back(rules, "summary", now.wall, end, clock_set=True)


TRUE = {
    "From 1 Nov to 15 Mar": dates,
    "A cat that no rule told": seen_though_not_told,
    "A finch last seen on 30": newness,
    "Three birds here": company,
    "A rule for January": out_of_season,
    "A cat told after 2 s": still_here_once,
    "A policy of one line": no_rule,
    "`shortest_stay_s = 8` before": waiting,
    "A bird at 95 % that is": certainty,
    "A finch that the rule": own_cooldowns,
    "Off for 12 hours": outage,
    "A visit at 21:30": quiet,
    "Nobody comes until 10:00": absent,
    "A squirrel on 1 January": paused,
    "The phone is quiet at 22:30": own_quiet,
    "`at_most_per_hour = 2` for": own_limits,
    '`summary_at = "07:00"`': own_summary,
    "The phone is away from": in_its_place,
    "60, 125, 60 °C": median,
    "Low for 20 seconds": low_power,
}


@pytest.mark.parametrize("begins", TRUE)
def test_an_example_is_true(begins):
    TRUE[begins]()


def test_each_example_has_its_test():
    assert len(ROWS) == 13
    assert [sum(example.startswith(begins) for example in EXAMPLES) for begins in TRUE] == [1] * len(TRUE)
    assert len(EXAMPLES) == len(TRUE)
