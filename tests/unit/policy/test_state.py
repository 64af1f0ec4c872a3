"""What the rules remember over a restart."""

from __future__ import annotations

import json

import pytest

from dooryard.errors import StoreError
from dooryard.policy.state import PolicyState, Told
from dooryard.records import Moment
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
    assert caught.value.remedy == "remove that state; cooldowns and daily caps then start anew"
