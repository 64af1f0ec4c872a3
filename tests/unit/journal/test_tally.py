from __future__ import annotations

import pytest

from dooryard.core.records import Visitor
from dooryard.history.entries import Kind, Mark, said
from dooryard.journal.tally import AccuracyTally, tally, was_right, wilson
from unit.journal.alder_row import BIRD, FINCH, NOON, SQUIRREL, entry


def named(told, group, species=None):
    return entry(told=told, said=said([Mark(1, "v", Kind.NAME, NOON, Visitor(group, 1.0, species))]))


@pytest.mark.parametrize(
    ("told", "group", "species", "right"),
    [
        (FINCH, "bird", "house finch", True),
        (FINCH, "bird", "wren", False),
        (FINCH, "bird", None, None),  # a bird it was; which one, the mark doesn't say
        (FINCH, "squirrel", None, False),
        (FINCH, "", "wren", False),  # whatever a wren is, it is no house finch
        (BIRD, "bird", "wren", True),
        (BIRD, "squirrel", None, False),
        (BIRD, "", "wren", None),  # nobody told the box that a wren is a bird
        (SQUIRREL, "bird", "wren", False),
        (Visitor("animal", 0.6), "fox", None, None),
    ],
)
def test_a_claim_is_judged_at_the_level_at_which_it_was_made(told, group, species, right):
    assert was_right(named(told, group, species)) is right


def test_nobody_there_is_always_wrong_and_no_mark_says_nothing():
    nobody = entry(said=said([Mark(1, "v", Kind.NOBODY, NOON)]))
    kept = entry(said=said([Mark(1, "v", Kind.KEEP, NOON)]))
    assert was_right(nobody) is False
    assert was_right(kept) is None
    assert tally([nobody, kept, entry(), named(BIRD, "bird"), named(BIRD, "", "wren")]) == AccuracyTally(
        1, 1, 1
    )


def test_the_newest_verdict_counts():
    marks = [Mark(1, "v", Kind.NOBODY, NOON), Mark(2, "v", Kind.KEEP, NOON),
             Mark(3, "v", Kind.NAME, NOON, BIRD)]  # fmt: skip
    assert (said(marks).nobody, said(marks).visitor, said(marks).keep) == (False, BIRD, True)
    assert said(marks[:2]).nobody


def test_no_trial_no_knowledge_and_nonsense_is_refused():
    assert wilson(0, 0) == (0.0, 1.0)
    with pytest.raises(ValueError, match="3 of 2"):
        wilson(3, 2)
