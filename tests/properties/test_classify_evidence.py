"""Laws of joining the looks of a visit."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.classify.labels import GROUPS
from dooryard.core.records import Naming
from dooryard.site import memory
from dooryard.tracking import evidence
from dooryard.tracking.evidence import LIKENESS, LIMIT, Evidence, EvidenceRules
from helpers import sighting


@st.composite
def looks(draw):
    weights = draw(st.lists(st.floats(0, 1), min_size=len(GROUPS) + 1, max_size=len(GROUPS) + 1))
    whole = sum(weights) or 1.0
    groups = {group: weight / whole for group, weight in zip(GROUPS, weights[1:], strict=True)}
    named = draw(st.lists(st.sampled_from(["house finch", "brambling"]), unique=True))
    species = tuple(Naming("bird", draw(st.floats(0, 1)), name, name.title()) for name in named)
    return replace(sighting(0.0), groups=groups, species=species)


def seen(some):
    found = Evidence()
    for look in some:
        found = evidence.looked(found, look)
    return found


@given(st.lists(looks(), max_size=6).flatmap(lambda some: st.tuples(st.just(some), st.permutations(some))))
def test_the_order_of_the_looks_does_not_matter_to_the_bit(both):
    one, other = both
    assert seen(one) == seen(other)
    assert evidence.who(seen(one), EvidenceRules()) == evidence.who(seen(other), EvidenceRules())


@given(looks(), st.integers(1, 30))
def test_one_more_look_that_agrees_never_makes_its_verdict_less_sure(look, count):
    fewer, more = (seen([look] * n) for n in (count, count + 1))
    before, after = evidence.somebody(fewer), evidence.somebody(more)
    assert (after >= before) if evidence.there_ratio(look.groups) >= 0 else (after <= before)
    shares = [
        {g: p for g, p in evidence.probabilities(one).items() if g != "nobody"} for one in (fewer, more)
    ]
    favourite = max(fewer.groups, key=lambda group: fewer.groups[group])
    assert (
        shares[1][favourite] / sum(shares[1].values())
        >= shares[0][favourite] / sum(shares[0].values()) - 1e-9
    )


@given(st.lists(looks(), max_size=8))
def test_probabilities_are_some_and_add_up(some):
    found = evidence.probabilities(seen(some))
    assert sum(found.values()) == pytest.approx(1)
    assert all(0 < chance < 1 for chance in found.values())


@given(st.lists(looks(), min_size=1, max_size=40))
def test_no_number_of_looks_is_worth_more_than_the_likeness_allows(some):
    joint = seen(some)
    assert 1 <= joint.worth <= 1 / LIKENESS + 1e-9
    assert abs(joint.there) <= LIMIT * joint.looks
    assert all(abs(total) <= LIMIT * joint.looks + 1 for total in joint.groups.values())
    assert evidence.somebody(joint) <= 1 / (1 + math.exp(-LIMIT / LIKENESS))


@given(st.lists(looks(), max_size=4), st.lists(looks(), max_size=4))
def test_joining_visits_is_joining_their_looks(one, other):
    assert evidence.together(seen(one), seen(other)) == seen([*one, *other])


@given(st.lists(looks(), max_size=5), looks(), st.floats(0, 1))
def test_a_look_that_says_more_of_a_bird_never_makes_somebody_less_likely(some, look, part):
    """Moving probability from nobody to the bird."""
    nobody = 1 - sum(look.groups.values())
    bolder = replace(look, groups={**look.groups, "bird": look.groups["bird"] + part * max(nobody, 0)})
    before, after = (evidence.somebody(seen([*some, one])) for one in (look, bolder))
    assert after >= before


@given(looks(), st.floats(-4, 4))
def test_evidence_of_memory_keeps_the_shares_and_the_sum(look, log_ratio):
    posterior = memory.posterior(look.groups, log_ratio)
    before, after = sum(look.groups.values()), sum(posterior.values())
    assert 0 <= after <= 1 + 1e-9
    assert (after >= before - 1e-9) if log_ratio >= 0 else (after <= before + 1e-9)
    for group, chance in look.groups.items():
        assert posterior[group] * before == pytest.approx(chance * after, abs=1e-9)
