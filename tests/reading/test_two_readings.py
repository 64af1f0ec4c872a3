"""The engine and the second reading of the owner's words decide alike on any visits and on any days."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from dooryard.core.errors import ConfigError
from dooryard.core.records import Outcome
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from fakes.rules import ALDER_ROW
from reading.compare import answers, difference, difference_of_days
from reading.days import days, read_alone
from reading.families import COMPARED, KEYS, in_schema
from reading.made import case
from reading.seasons import difference_of_season, season
from reading.simple import Still

EVERY_OUTCOME = {
    (Outcome.TELL, True, True), (Outcome.HOLD, True, True), (Outcome.HOLD, False, True),
    (Outcome.SILENT, False, True), (Outcome.SILENT, False, False),
}  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.randoms(use_true_random=False))
def test_both_decide_alike(chance):
    found = difference(case(chance, COMPARED))
    assert found is None, found


@settings(max_examples=40, deadline=None)
@given(st.randoms(use_true_random=False))
def test_both_decide_alike_on_whole_days(chance):
    found = difference_of_days(days(chance, COMPARED))
    assert found is None, found


@pytest.mark.skipif("absence" not in COMPARED, reason="the engine has no absences: see families.py")
def test_both_tell_of_the_same_absences():
    for seed in range(12):
        found = difference_of_season(season(Random(seed)))
        assert found is None, found


def test_the_made_visits_have_every_outcome():
    found = {
        (theirs.outcome, bool(theirs.sinks), theirs.rule is not None)
        for seed in range(100)
        for _, _, theirs in answers(case(Random(seed), COMPARED))
    }
    assert found == EVERY_OUTCOME


def test_the_made_days_with_every_key_have_every_outcome_and_somebody_who_is_still_here():
    found, still = set(), 0
    for seed in range(60):
        for _, said in read_alone(days(Random(seed), frozenset(KEYS))):
            still += sum(isinstance(each, Still) for each in said)
            answered = [each[1] for each in said if not isinstance(each, Still)]
            found |= {(each.outcome, bool(each.sinks), each.rule is not None) for each in answered}
    assert found == EVERY_OUTCOME
    assert still > 0


def test_what_the_engine_has_is_compared():
    missing = in_schema() - COMPARED
    assert not missing, f"switch it on: add {missing} to COMPARED in tests/reading/families.py"


REFUSED = {
    "dates": [
        {"rule": [{"name": "a", "visitor": "cat", "dates": {"from": first, "to": last}}]}
        for first, last in (("31 Apr", "1 May"), ("1 May", "2026-06-01"), ("2026-06-02", "2026-06-01"))
    ],
    "new": [
        {"rule": [{"name": "a", "visitor": "cat", **keys}]}
        for keys in ({"new": "month"}, {"unseen_days": 0}, {"unseen_days": 3651})
    ],
    "at_once": [{"rule": [{"name": "a", "visitor": "cat", "at_once": n}]} for n in (1, 51)],
    "visits_in_hour": [{"rule": [{"name": "a", "visitor": "cat", "visits_in_hour": n}]} for n in (1, 1001)],
    "still_here": [{"rule": [{"name": "a", "visitor": "cat", "still_here_min": n}]} for n in (0.4, 1441)],
    "pause": [{"pause": [{"name": "a"}]}, {"pause": [{"name": "a", "dates": []}]}],
    "absence": [
        {"absence": [{"name": "a", **keys}]}
        for keys in ({}, {"by": "10:00", "after_h": 3}, {"after_h": 0.4}, {"after_h": 2001}, {"by": "10:60"})
    ],
}  # fmt: skip


@pytest.mark.parametrize("family", sorted(in_schema() & REFUSED.keys()))
def test_what_the_words_call_an_error_is_refused(family):
    for tables in REFUSED[family]:
        with pytest.raises(ValidationError):
            Policy.model_validate({"place": ALDER_ROW, **tables})


@pytest.mark.parametrize(
    "text",
    [
        '[[sink]]\nname = "phone"\n[[sink]]\nname = "phone"\n',
        '[[sink]]\nname = "phone"\ninstead = "post"\n[[sink]]\nname = "post"\ninstead = "phone"\n',
    ],
)
def test_sinks_twice_and_in_a_circle_are_refused(text):
    with pytest.raises(ConfigError):
        parse_policy(text, "policy.toml")
