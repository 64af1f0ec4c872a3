"""What the rules remember over a restart."""

from __future__ import annotations

import json

import pytest

from dooryard.core.errors import StoreError
from dooryard.core.records import Moment
from dooryard.policy.state import PolicyState, Told
from fakes.rules import START, later

STATE = PolicyState(
    told=(
        Told("any bird", "house finch", START.mono_s - 100, "2026-06-14"),
        Told("x", "cat", START.mono_s, ""),
    ),
    held=3,
)


def test_a_restart_within_one_boot_changes_nothing():
    text = STATE.to_json(later(5), boot="b1")
    assert PolicyState.from_json(text, later(500), boot="b1") == STATE


@pytest.mark.parametrize("boot", ["b2", ""])
def test_over_a_reboot_ages_stand_still(boot):
    text = STATE.to_json(later(5), boot="b1")
    restored = PolicyState.from_json(text, Moment(START.wall, 12.0), boot=boot)
    assert [12.0 - told.mono_s for told in restored.told] == [105.0, 5.0]
    assert [told.day for told in restored.told] == ["2026-06-14", ""]
    assert restored.held == 3


def test_a_boot_that_is_not_known_is_never_taken_for_the_same():
    text = STATE.to_json(START)
    restored = PolicyState.from_json(text, later(500))
    assert later(500).mono_s - restored.told[1].mono_s == 0.0


def test_the_same_boot_with_less_monotonic_time_is_not_believed():
    text = STATE.to_json(START, boot="b1")
    restored = PolicyState.from_json(text, Moment(START.wall, 3.0), boot="b1")
    assert 3.0 - restored.told[1].mono_s == 0.0


GOOD = json.loads(STATE.to_json(START))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "null",
        "{",
        "[" * 100_000,
        json.dumps({**GOOD, "version": 2}),
        json.dumps({**GOOD, "held": -1}),
        json.dumps({**GOOD, "held": "3"}),
        json.dumps({**GOOD, "saved_s": "now"}),
        json.dumps({**GOOD, "saved_s": float("nan")}),
        json.dumps({**GOOD, "told": {}}),
        json.dumps({**GOOD, "told": [3]}),
        json.dumps({**GOOD, "told": [{**GOOD["told"][0], "day": 3}]}),
        json.dumps({**GOOD, "told": [{**GOOD["told"][0], "ago_s": float("inf")}]}),
        json.dumps({key: value for key, value in GOOD.items() if key != "boot"}),
    ],
)
def test_a_damaged_state_is_said_with_a_remedy(text):
    with pytest.raises(StoreError, match="the saved cooldowns cannot be read") as caught:
        PolicyState.from_json(text, START, boot="b1")
    assert caught.value.remedy == "remove that state; cooldowns and daily caps then start over"


FOUR_H, TWELVE_H = 4 * 3600.0, 12 * 3600.0


def rebooted(saved: Moment, off_s: float, *, clock_set: bool = True) -> tuple[PolicyState, Moment]:
    """`STATE` saved at `saved`, and restored after `off_s` by the wall clock with another monotonic time."""
    text = STATE.to_json(saved, boot="b1", clock_set=clock_set)
    now = Moment(later(off_s, saved).wall, 12.0)
    return PolicyState.from_json(text, now, boot="b2"), now


def test_the_time_off_counts_where_the_clock_was_set_at_both_ends():
    restored, now = rebooted(later(5), TWELVE_H)
    counted = restored.outage_counted(now)
    assert [now.mono_s - told.mono_s for told in counted.told] == [TWELVE_H + 105, TWELVE_H + 5]
    assert counted.outage_counted(later(FOUR_H, now)) == counted  # once


def test_the_time_off_counts_when_the_clock_is_set_later():
    restored, now = rebooted(later(5), TWELVE_H)
    counted = restored.outage_counted(later(600, now))
    assert later(600, now).mono_s - counted.told[1].mono_s == TWELVE_H + 5 + 600


def test_what_is_told_after_the_reboot_does_not_age_by_the_outage():
    restored, now = rebooted(later(5), TWELVE_H)
    told = Told("x", "cat", now.mono_s + 10, "")
    counted = restored.telling(told, TWELVE_H).outage_counted(later(60, now))
    assert counted.told[-1] == told


@pytest.mark.parametrize("off_s", [-3600.0, 0.0])
def test_a_clock_that_was_set_back_makes_nothing_younger(off_s):
    restored, now = rebooted(later(5), off_s)
    assert restored.outage_counted(now).told == restored.told


def test_without_a_set_clock_at_the_saving_ages_stand_still():
    restored, now = rebooted(later(5), TWELVE_H, clock_set=False)
    assert restored.outage_counted(now).told == restored.told


def test_two_outages_with_no_clock_in_between_count_as_one():
    restored, now = rebooted(later(5), TWELVE_H)
    text = restored.to_json(Moment(now.wall, now.mono_s + 60), boot="b2")  # the clock was never set
    end = Moment(later(2 * TWELVE_H, now).wall, 7.0)
    counted = PolicyState.from_json(text, end, boot="b3").outage_counted(end)
    assert end.mono_s - counted.told[1].mono_s == pytest.approx(3 * TWELVE_H + 5)
