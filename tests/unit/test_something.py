"""What moved while the classifier was away: a visit without a name, told only where a rule asks for it."""

from __future__ import annotations

import contextlib
import io
from dataclasses import replace

import numpy as np
import pytest

from dooryard import gate
from dooryard.cli.explain import why
from dooryard.core.clock import FakeClock
from dooryard.core.records import SOMETHING, Outcome, Visitor
from dooryard.gate import GateSettings
from dooryard.history.entries import Kind, Mark, said
from dooryard.journal.cards import sureness
from dooryard.journal.phrases import title_of
from dooryard.journal.tables import observation_row
from dooryard.journal.tally import was_right
from dooryard.outbox.store import Store
from dooryard.policy.decide import decide
from dooryard.policy.parse import parse_policy
from dooryard.policy.say import alert_for
from dooryard.policy.state import PolicyState
from dooryard.tracking import visits
from dooryard.tracking.visits import VisitSettings, VisitsState
from fakes.rules import SINKS, START, later, policy, visit
from helpers import moment, sighting
from unit.journal.alder_row import NOON, entry

SETTINGS = VisitSettings()
ASKS = {"name": "whatever it is", "visitor": ["something"], "send_to": ["phone"]}


def unnamed(t, at=(0.5, 0.5)):
    return replace(sighting(t, p=0.0, at=at), classified=False)


def run(*seen, until=None, settings=SETTINGS):
    state, log = VisitsState(salt=b"test"), []
    for one in seen:
        state, changes = visits.advance(state, (one,), moment(one.mono_s - moment(0).mono_s), settings)
        log.append(changes)
    if until is not None:
        state, changes = visits.advance(state, (), moment(until), settings)
        log.append(changes)
    return state, log


def test_motion_that_lasts_opens_settles_and_ends_a_visit_without_a_name():
    _, log = run(*(unnamed(t) for t in range(6)), until=30)
    assert [bool(changes.settled) for changes in log] == [False, False, False, True, True, True, False]
    (ended,) = log[-1].ended
    assert ended.visitor == Visitor(SOMETHING, 0.0)
    assert (ended.stay_s, ended.sightings) == (5.0, 6)
    assert ended.best is not None


def test_the_gate_may_get_used_to_what_has_no_name():
    """Else a branch that has moved for good would be a visit without an end."""
    state, _ = run(*(unnamed(t) for t in range(6)))
    assert len(state.tracks) == 1
    assert state.occupied == ()
    named, _ = run(*(sighting(t) for t in range(6)))
    assert len(named.occupied) == 1


def test_the_gate_gets_used_to_it_within_a_quarter_of_an_hour():
    chance, state, through = np.random.default_rng(1), None, []
    view = np.kron(chance.integers(60, 160, (15, 20)), np.ones((8, 8)))
    for t in range(1200):
        seen = view + chance.integers(-2, 3, view.shape)
        if t > 60:
            seen[50:75, 60:85] = 30  # something dark, for good
        state, motions = gate.watch(state, seen.astype(np.uint8), float(t), GateSettings(), occupied=())
        if any(motion.reject_reason is None for motion in motions):
            through.append(t)
    assert through[0] < 75
    assert 300 < through[-1] < 60 + 900


def test_what_moved_for_too_short_a_time_is_nothing():
    _, log = run(*(unnamed(t) for t in (0, 0.8, 1.6, 2.4)), until=30)
    assert [len(changes.settled) for changes in log] == [0] * 5
    assert (log[-1].ended, len(log[-1].nobody), log[-1].empty) == ((), 1, ())


def test_once_the_classifier_looks_it_has_a_name():
    state, log = run(*(unnamed(t) for t in range(5)), *(sighting(5 + t, "squirrel") for t in range(4)))
    (track,) = state.tracks
    assert track.visit.visitor.group == "squirrel"
    assert track.visit.visitor.sure > 0.9
    assert len({v.id for changes in log for v in changes.settled}) == 1


def test_once_the_classifier_sees_nobody_there_it_goes_on_no_longer():
    state, _ = run(*(unnamed(t) for t in range(5)), *(sighting(5 + t, p=0.02) for t in range(4)))
    assert state.tracks[0].visit.last_seen == moment(4)


def test_young_motion_that_the_classifier_takes_for_nobody_comes_to_nothing():
    _, log = run(unnamed(0), sighting(1, p=0.02), sighting(2, p=0.02), until=30)
    assert log[-1].ended == ()
    assert len(log[-1].nobody) == 1


def test_a_visit_that_has_a_name_keeps_it_while_the_classifier_is_away():
    state, _ = run(*(sighting(t, "bird") for t in range(4)), *(unnamed(t) for t in range(4, 20)))
    (track,) = state.tracks
    assert track.visit.visitor.group == "bird"
    assert track.visit.last_seen == moment(19)


@pytest.mark.parametrize("visitor", [["anything"], ["animal"], ["bird", "squirrel"], ["not sure"]])
def test_no_other_rule_takes_it(visitor):
    seen = visit(SOMETHING, sure=0.0)
    state, decision = decide(policy({"visitor": visitor}), PolicyState(), seen, START, True, sinks=SINKS)
    assert decision.outcome is Outcome.SILENT
    assert decision.reason == (
        'not sent: Alder Row, something that moved: the classifier was away, and no rule matches "something"'
    )
    assert state == PolicyState()


def test_a_rule_that_names_it_tells_it_with_its_cooldown_and_whatever_it_asks_for_sureness():
    rules = policy({**ASKS, "sure": 0.9, "cooldown_min": 10})
    seen = visit(SOMETHING, sure=0.0)
    state, decision = decide(rules, PolicyState(), seen, START, True, sinks=SINKS)
    assert decision.outcome is Outcome.TELL
    assert decision.sinks == ("phone",)
    alert = alert_for(rules, seen, decision, START, True)
    assert alert.title == "Something that moved at Alder Row, 14:03"
    assert alert.text == "Something that moved, not classified; came 14 June at 14:03, has stayed 12 s."
    _, again = decide(rules, state, visit(SOMETHING, number=2), later(60), True, sinks=SINKS)
    assert "cooldown of 10 min has 9 min left" in again.reason


def test_that_rule_takes_nobody_who_has_a_name():
    _, decision = decide(policy(ASKS), PolicyState(), visit("squirrel"), START, True, sinks=SINKS)
    assert decision.reason.endswith("no rule matches this visitor")


def test_why_explains_it(tmp_path):
    rules, seen = policy({"name": "anybody"}, ASKS), visit(SOMETHING, sure=0.0, ended=True)
    _, decision = decide(rules, PolicyState(), seen, START, True, sinks=SINKS)
    with contextlib.closing(Store.open(tmp_path, FakeClock())) as store:
        store.record_visit(seen, None, decision, [alert_for(rules, seen, decision, START, True)])
    out = io.StringIO()
    assert why(tmp_path, "last", out) == 0
    text = out.getvalue()
    assert "Something that moved, not classified, " in text
    assert '  not met  visitor: rule "anybody" is for anything\n' in text
    assert '  met      visitor: rule "whatever it is" is for something\n' in text
    assert "  met      sure: the classifier was away, so nobody can be sure; that does not count\n" in text


def test_a_rule_for_it_is_known_and_not_shadowed_by_one_for_anything():
    text = '[[rule]]\nname = "a"\nvisitor = ["anything"]\n[[rule]]\nname = "b"\nvisitor = ["something"]\n'
    parsed = parse_policy(text, "p.toml", visitors=frozenset({"bird"}), sinks=SINKS)
    assert parsed.warnings == ()
    twice = text + '[[rule]]\nname = "c"\nvisitor = ["something"]\n'
    (warning,) = parse_policy(twice, "p.toml", visitors=frozenset({"bird"}), sinks=SINKS).warnings
    assert '"c" can never fire: "b" before it' in warning


def test_the_journal_says_what_it_was():
    seen = entry(told=Visitor(SOMETHING, 0.0))
    assert title_of(seen.visitor) == "Something that moved"
    assert sureness(seen) == "not classified"


def test_the_export_says_that_it_was_not_classified():
    """`unclassified` is a value of Camtrap DP 1.0.2's observationType (see `journal.camtrap`)."""
    row = observation_row(entry(told=Visitor(SOMETHING, 0.0)), "d", "m")
    assert row["observationType"] == "unclassified"
    assert row["count"] is row["scientificName"] is None
    assert not [key for key in row if key.startswith("classif")]


def test_a_persons_name_for_it_is_no_mistake_of_the_box_and_is_exported_as_theirs():
    seen = entry(
        told=Visitor(SOMETHING, 0.0), said=said([Mark(1, "v", Kind.NAME, NOON, Visitor("bird", 1.0))])
    )
    assert was_right(seen) is None
    row = observation_row(seen, "d", "m")
    assert (row["observationType"], row["scientificName"], row["classifiedBy"]) == ("animal", "Aves", "owner")
