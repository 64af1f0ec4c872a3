"""What quiet hours hold in the outbox."""

from __future__ import annotations

import pytest

from dooryard.policy.holding import held_back
from fakes.rules import START, later, policy

RULES = policy({}, hours={"quiet": {"from": "22:00", "to": "07:00"}})
NIGHT, BEFORE = later(10 * 3600).wall, START.wall  # 00:03 and 14:03 in London


@pytest.mark.parametrize(
    ("kind", "made", "held"),
    [
        ("visit", BEFORE, True),  # the network delayed it
        ("visit", NIGHT, True),
        ("visit", None, True),  # made while the clock was not set
        ("box", NIGHT, True),
        ("summary", BEFORE, True),
        ("summary", NIGHT, False),  # its own hour is within quiet hours
        ("journal", NIGHT, False),
    ],
)
def test_what_waits_at_night(kind, made, held):
    assert held_back(RULES, kind, made, NIGHT, clock_set=True) is held
    assert not held_back(RULES, kind, made, BEFORE, clock_set=True)
    assert not held_back(RULES, kind, made, NIGHT, clock_set=False)
