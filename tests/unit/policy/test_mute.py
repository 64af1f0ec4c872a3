"""Pause and mute: what they hold, until when, and what is no such time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from dooryard.core.errors import ConfigError
from dooryard.core.records import Moment, Outcome
from dooryard.policy.decide import decide
from dooryard.policy.holding import held_back
from dooryard.policy.mute import hushed, mute_end
from dooryard.policy.state import PolicyState
from fakes.absences import LONDON
from fakes.rules import SINKS, START, later, policy, visit

NOW = START.wall  # 14:03 in London on 14 June 2026
PAUSE = {"name": "holidays", "dates": [{"from": "20 Dec", "to": "3 Jan"}]}
RULES = policy({})


def decided(rules, now=START, state=None, *, clock_set=True, until=None):
    return decide(
        rules, state or PolicyState(), visit(start=now), now, clock_set, sinks=SINKS, muted_until=until
    )


def at(*when):
    return Moment(datetime(*when, tzinfo=LONDON), 9.0)


@pytest.mark.parametrize(
    ("text", "end"),
    [
        ("tomorrow", (15, 6, 0)),
        ("Tomorrow ", (15, 6, 0)),
        ("18:30", (14, 18, 30)),
        ("14:03", (15, 14, 3)),  # now: the next such time
        ("09:00", (15, 9, 0)),
        ("2h", (14, 16, 3)),
        ("45min", (14, 14, 48)),
        ("1h 30min", (14, 15, 33)),
        ("2026-06-20", (20, 6, 0)),
    ],
)
def test_until_when(text, end):
    day, hour, minute = end
    assert mute_end(text, NOW, RULES.place) == datetime(2026, 6, day, hour, minute, tzinfo=LONDON)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "does not say until when"),
        ("soon", "does not say until when"),
        ("25:00", "does not say until when"),
        ("2026-02-30", "does not say until when"),
        ("2 days", "does not say until when"),
        ("-2h", "does not say until when"),
        ("0h", "over already"),
        ("2026-06-14", "over already"),
        ("800h", "31 days at most"),
        ("2026-07-20", "31 days at most"),
        ("9999-12-31", "31 days at most"),
    ],
)
def test_what_is_no_such_time(text, why):
    with pytest.raises(ConfigError, match=why) as caught:
        mute_end(text, NOW, RULES.place)
    assert caught.value.remedy


def test_tomorrow_is_six_o_clock_on_the_day_on_which_clocks_change():
    eve = datetime(2026, 10, 24, 20, 0, tzinfo=LONDON)
    assert mute_end("tomorrow", eve, RULES.place) - eve.astimezone(UTC) == timedelta(hours=11)


def test_a_muted_visit_is_held_for_the_summary_and_counts_for_nothing():
    until = mute_end("tomorrow", NOW, RULES.place)
    state, decision = decided(RULES, until=until)
    assert (state, decision.outcome, decision.sinks) == (PolicyState(), Outcome.HOLD, ())
    assert decision.reason == "held for the summary: Alder Row, a squirrel: muted until 06:00"
    assert decision.rule == "rule 1"
    assert [clause.name for clause in decision.clauses][-2:] == ["cap", "mute"]
    _, after = decided(RULES, later(24 * 3600), state, until=until)
    assert after.outcome is Outcome.TELL


def test_an_urgent_rule_tells_and_an_unset_clock_mutes_nothing():
    until = mute_end("tomorrow", NOW, RULES.place)
    assert decided(policy({"urgent": True}), until=until)[1].outcome is Outcome.TELL
    assert decided(RULES, clock_set=False, until=until)[1].outcome is Outcome.TELL


def test_cooldown_and_caps_come_first():
    rules = policy({"at_most_per_day": 1})
    state, _ = decided(rules)
    _, second = decided(rules, later(3600), state, until=later(9 * 3600).wall)
    assert (second.outcome, second.clauses[-1].name) == (Outcome.SILENT, "cap")


def test_it_comes_before_quiet_hours_and_leaves_their_twelve_alone():
    rules = policy({}, hours={"quiet": {"from": "13:00", "to": "20:00"}})
    state, decision = decided(rules, until=later(3600).wall)
    assert (decision.clauses[-1].name, state.held) == ("mute", 0)


@pytest.mark.parametrize(
    ("when", "text"),
    [
        ((2026, 12, 19, 23, 59), None),
        ((2026, 12, 20, 0, 0), 'pause "holidays" until 3 Jan'),
        ((2027, 1, 3, 23, 59), 'pause "holidays" until 3 Jan'),
        ((2027, 1, 4, 0, 0), None),
    ],
)
def test_a_pause_holds_on_whole_local_days(when, text):
    rules = policy({}, pause=[PAUSE])
    found = hushed(rules, None, at(*when).wall, True)
    assert (found.text if found else None) == text
    assert hushed(rules, None, at(*when).wall, False) is None
    _, decision = decided(rules, at(*when))
    assert decision.outcome is (Outcome.HOLD if text else Outcome.TELL)


def test_ranges_that_meet_are_one_pause():
    dates = [{"from": "20 Dec", "to": "24 Dec"}, {"from": "25 Dec", "to": "31 Dec"}]
    rules = policy({}, pause=[{"name": "away", "dates": dates}])
    assert hushed(rules, None, at(2026, 12, 21, 9, 0).wall, True).text == 'pause "away" until 31 Dec'


def test_a_mute_of_days_names_its_day():
    until = mute_end("2026-06-20", NOW, RULES.place)
    assert hushed(RULES, until, NOW, True).text == "muted until 06:00 on 20 Jun"


@pytest.mark.parametrize(
    ("jump", "holds"),
    [(timedelta(hours=-1), True), (timedelta(hours=3), False), (timedelta(days=-400), False)],
)
def test_a_clock_that_is_set_while_muted(jump, holds):
    """Back by an hour it holds on; past its end it is over; back by a year, its end was a mistake."""
    until = mute_end("2h", NOW, RULES.place)
    assert bool(hushed(RULES, until, NOW + jump, True)) is holds


@pytest.mark.parametrize("kind", ["visit", "box", "summary", "absence"])
def test_all_but_the_pages_waits_in_the_outbox(kind):
    until = NOW + timedelta(hours=1)
    held = {"clock_set": True, "muted_until": until}
    assert held_back(RULES, kind, NOW, NOW, **held)
    assert not held_back(RULES, kind, NOW, until, **held)
    assert not held_back(RULES, kind, NOW, NOW, clock_set=False, muted_until=until)
    assert not held_back(RULES, "journal", NOW, NOW, **held)


def test_a_summary_whose_hour_is_quiet_waits_for_a_pause_all_the_same():
    rules = policy({}, pause=[PAUSE], hours={"quiet": {"from": "19:00", "to": "21:00"}})
    evening = at(2026, 12, 21, 20, 0).wall
    assert held_back(rules, "summary", evening, evening, clock_set=True)
