"""What the pipeline remembers of who was seen, and what follows: newness, company, one more message."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from dooryard import pipeline
from dooryard.core.effects import Record, StillHere, Update
from dooryard.core.records import Outcome, Visitor
from dooryard.policy.seen import Seen
from dooryard.tracking import visits
from fakes.afternoon import BIRD, EMPTY, POLICY, Afternoon, conditions
from helpers import moment, sighting

TODAY = date(2026, 6, 14)
QUIET = '[hours]\nquiet = [{ from = "13:30", to = "15:00" }]\n'


@pytest.fixture
def quiet_view():
    return Afternoon(conditions()).play(20, EMPTY)


def last_day(afternoon, key="bird", sure=0.5):
    return afternoon.state.policy.seen.last_day(key, sure)


def asking(keys):
    return conditions(POLICY.replace("cooldown_min = 4", keys))


def test_a_visit_counts_as_seen_when_it_is_told_and_again_at_its_end(quiet_view):
    quiet_view.play(4, BIRD)
    assert last_day(quiet_view) == TODAY
    ((_, told),) = quiet_view.state.policy.seen.days["bird"]
    quiet_view.play(5, BIRD).play(10, EMPTY)
    (update,) = quiet_view.of(Update)
    ((_, at_end),) = quiet_view.state.policy.seen.days["bird"]
    assert at_end == max(told, update.visit.visitor.sure)
    assert [each.visit for each in quiet_view.state.policy.seen.over] == [update.visit.id]


def test_it_counts_by_its_better_name_too(quiet_view):
    quiet_view.play(4, BIRD)
    (record,) = quiet_view.of(Record)
    better = replace(record.visit, visitor=Visitor("bird", 0.9, "house finch"), end=record.visit.last_seen)
    quiet_view.state, effects = pipeline._decide_all(
        quiet_view.state, visits.Changes(ended=(better,)), quiet_view.rules, moment(quiet_view.t)
    )
    assert [type(effect) for effect in effects] == [Update]
    assert last_day(quiet_view) == last_day(quiet_view, "house finch") == TODAY


def test_a_silent_visit_counts_as_seen_when_it_is_over(quiet_view):
    quiet_view.rules = conditions(POLICY.replace('"bird"', '"cat"'))
    quiet_view.play(6, BIRD)
    assert last_day(quiet_view) is None
    quiet_view.play(10, EMPTY)
    assert last_day(quiet_view) == TODAY


def test_a_held_visit_counts_as_seen(quiet_view):
    quiet_view.rules = conditions(POLICY + QUIET)
    assert last_day(quiet_view.play(4, BIRD)) == TODAY


def test_a_visit_while_the_clock_is_not_set_counts_in_the_hour_and_on_no_day(quiet_view):
    quiet_view.rules = replace(quiet_view.rules, clock_set=False)
    quiet_view.play(6, BIRD).play(10, EMPTY)
    assert last_day(quiet_view) is None
    assert len(quiet_view.state.policy.seen.over) == 1


def test_nobody_counts_as_nothing(quiet_view):
    quiet_view.who = ("bird", 0.5)
    quiet_view.play(1.0, BIRD)
    quiet_view.who = ("bird", 0.0)
    quiet_view.play(10, EMPTY)
    assert quiet_view.state.policy.seen == Seen()


@pytest.mark.parametrize("kind", ["nobody", "merged"])
def test_what_was_told_and_came_to_nothing_counts_no_more_than_it_has(quiet_view, kind):
    quiet_view.play(4, BIRD)
    (record,) = quiet_view.of(Record)
    better = replace(record.visit, visitor=Visitor("bird", 1.0), end=record.visit.last_seen)
    changes = visits.Changes(**{kind: (better,)})
    before = quiet_view.state.policy.seen
    state, effects = pipeline._decide_all(quiet_view.state, changes, quiet_view.rules, moment(quiet_view.t))
    assert [type(effect) for effect in effects] == [Update]
    assert state.policy.seen == before
    assert state.decided == {}


def test_only_the_first_of_the_year_is_told(quiet_view):
    quiet_view.rules = asking('cooldown_min = 0\nnew = "year"')
    quiet_view.play(6, BIRD).play(10, EMPTY).play(6, BIRD).play(10, EMPTY)
    first, second = quiet_view.of(Record)
    assert (first.decision.outcome, second.decision.outcome) == (Outcome.TELL, Outcome.SILENT)
    assert "was seen here" in second.decision.reason


def test_the_second_visit_of_an_hour(quiet_view):
    quiet_view.rules = asking("cooldown_min = 0\nvisits_in_hour = 2")
    quiet_view.play(6, BIRD).play(10, EMPTY).play(6, BIRD).play(10, EMPTY)
    first, second = quiet_view.of(Record)
    assert (first.decision.outcome, second.decision.outcome) == (Outcome.SILENT, Outcome.TELL)


def test_two_at_once():
    """Two birds apart; the second comes after two seconds, and counts once it has settled."""
    afternoon = Afternoon(asking("at_once = 2"))
    told: list[tuple[float, Record]] = []
    for t in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0):
        seen = [sighting(t, at=(0.2, 0.5), size=0.1)]
        seen += [sighting(t, at=(0.8, 0.5), size=0.1)] if t >= 2 else []
        afternoon.state, effects = pipeline.looked(
            afternoon.state, [each.box for each in seen], seen, afternoon.rules, moment(t)
        )
        told += [(t, effect) for effect in effects if isinstance(effect, Record)]
    ((at_s, record),) = told  # the other one meets the cooldown
    assert record.decision.outcome is Outcome.TELL
    assert at_s == 4.0


LONG = POLICY.replace("cooldown_min = 4", "cooldown_min = 4\nstill_here_min = 0.5")


def stays(afternoon, seconds):
    """A bird that stays, moving a little now and then so that the gate goes on looking."""
    other = BIRD.copy()
    other[50:80, 72:97] = 40
    for k in range(round(seconds / 2)):
        afternoon.play(2, other if k % 2 else BIRD)
    return afternoon


def test_a_told_visit_that_lasts_is_told_once_more(quiet_view):
    quiet_view.rules = conditions(LONG)
    assert stays(quiet_view, 28).of(StillHere) == []
    stays(quiet_view, 40)
    (again,) = quiet_view.of(StillHere)
    (record,) = quiet_view.of(Record)
    assert again.visit.id == record.visit.id
    assert again.decision is record.decision
    assert 30 <= again.visit.stay_s < 33
    assert len(quiet_view.state.policy.told) == 1  # it counts toward no cap and starts no cooldown
    quiet_view.play(10, EMPTY)
    assert quiet_view.state.still_here == frozenset()


@pytest.mark.parametrize(
    "rules", [POLICY, LONG + QUIET, LONG.replace('send_to = ["phone"]', "send_to = []")],
    ids=["not asked for", "held", "told to nobody"],
)  # fmt: skip
def test_no_second_message(quiet_view, rules):
    quiet_view.rules = conditions(rules)
    assert stays(quiet_view, 60).of(StillHere) == []


def test_a_rule_that_a_new_policy_has_no_longer_tells_nothing_more(quiet_view):
    quiet_view.rules = conditions(LONG)
    stays(quiet_view, 10)
    quiet_view.rules = conditions(LONG.replace("any bird", "every bird"))
    assert stays(quiet_view, 60).of(StillHere) == []
