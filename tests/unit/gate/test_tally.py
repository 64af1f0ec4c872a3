from __future__ import annotations

from dooryard.core.records import RejectReason
from dooryard.gate.tally import HOURS_KEPT, GateTally, count, totals


def test_the_same_reason_counts_once_in_5_s():
    tally = GateTally()
    for _ in range(51):  # 10 s at 5 frames a second, and the first frame
        tally = count(tally, [RejectReason.SWAY, RejectReason.SWAY], 0.2)
    assert totals(tally)[RejectReason.SWAY] in (2, 3)


def test_hours_are_kept_and_bounded():
    tally = GateTally()
    for _ in range((HOURS_KEPT + 3) * 60):
        tally = count(tally, [None], 60.0)
    assert len(tally.hours) == HOURS_KEPT
    assert tally.hours[-1][0] == 60
