"""What is wrong with the box, told once when it begins and once when it is over."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.health.faults import (
    CLOCK_NOT_SET,
    LITTLE_MEMORY,
    SLOWED_DOWN,
    USUAL,
    Change,
    FaultStates,
    Trouble,
    take,
)
from dooryard.sensors.base import Reading, Unit
from helpers import moment

EVERY_S = 10.0


def feed(trouble: Trouble, values: list[float | None]) -> tuple[FaultStates, list[tuple[float, Change]]]:
    states, told = FaultStates(), []
    for number, value in enumerate(values):
        now = moment(number * EVERY_S)
        gone = None if value is not None else "no answer"
        reading = Reading(trouble.sensor, Unit.YES_NO, now, value, gone)
        states, changes = take(states, {trouble.sensor: reading}, now)
        told += [(number * EVERY_S, change) for change in changes]
    return states, told


def test_a_flag_begins_and_is_over():
    states, told = feed(SLOWED_DOWN, [0.0] * 3 + [1.0] * 20 + [0.0] * 9)
    assert [(at_s, change.begins) for at_s, change in told] == [(90.0, True), (290.0, False)]
    assert told[0][1].text == "the board is throttling because of heat or low power"
    assert told[1][1].text == "the board runs at full speed again, after 3 min"
    assert states.told == ()


def test_a_flicker_makes_no_noise():
    assert feed(SLOWED_DOWN, [0.0, 1.0, 0.0, 1.0, 1.0, 0.0] * 20)[1] == []


def test_a_trouble_that_was_there_at_the_start_is_told_after_its_time():
    states, told = feed(CLOCK_NOT_SET, [0.0] * 61)
    assert [at_s for at_s, _ in told] == [600.0]
    assert states.told == ("clock",)
    assert feed(CLOCK_NOT_SET, [0.0] * 30 + [1.0] * 90)[1] == []  # set within its time: nothing to tell


def test_memory_has_to_come_back_by_more_than_a_little():
    values: list[float | None] = [30.0] * 15 + [45.0, 39.0, 75.0] * 10 + [90.0] * 15
    _, told = feed(LITTLE_MEMORY, values)
    assert [change.begins for _, change in told] == [True, False]
    assert told[1][0] == 570.0  # two minutes of it


def test_a_sensor_that_is_gone_neither_begins_nor_ends_anything():
    states, told = feed(SLOWED_DOWN, [1.0] * 10 + [None] * 100)
    assert [change.begins for _, change in told] == [True]
    assert states.told == ("slowed-down",)


@given(st.lists(st.one_of(st.none(), st.sampled_from([0.0, 1.0])), max_size=150))
def test_changes_alternate_and_never_come_early(values: list[float | None]):
    states, told = feed(SLOWED_DOWN, values)
    assert [change.begins for _, change in told] == [index % 2 == 0 for index in range(len(told))]
    assert bool(states.told) == (len(told) % 2 == 1)
    times_s = [at_s for at_s, _ in told]
    gaps_s = [later - earlier for earlier, later in zip([0.0, *times_s], times_s, strict=False)]
    assert all(gap_s >= SLOWED_DOWN.after_s for gap_s in gaps_s)


@pytest.mark.parametrize("trouble", USUAL)
def test_every_one_can_begin_and_end(trouble: Trouble):
    assert trouble.holds(trouble.begins, before=False)
    assert not trouble.holds(trouble.over, before=True)
    assert not trouble.holds(trouble.over, before=False)
