"""The grammar of times of day."""

from __future__ import annotations

from datetime import time

import pytest

from dooryard.policy.times import Sun, TimeOfDay, parse_time


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("00:00", TimeOfDay(0)),
        ("7:05", TimeOfDay(425)),
        ("21:30", TimeOfDay(1290)),
        ("24:00", TimeOfDay(1440)),
        (" 06:00 ", TimeOfDay(360)),
        (time(21, 30), TimeOfDay(1290)),
        ("sunrise", TimeOfDay(0, Sun.SUNRISE)),
        ("Sunset", TimeOfDay(0, Sun.SUNSET)),
        ("sunrise-30min", TimeOfDay(-30, Sun.SUNRISE)),
        ("sunset + 20 min", TimeOfDay(20, Sun.SUNSET)),
        ("dusk+1h", TimeOfDay(60, Sun.DUSK)),
        ("dawn-1h15min", TimeOfDay(-75, Sun.DAWN)),
        ("sunset+6h", TimeOfDay(360, Sun.SUNSET)),
    ],
)
def test_what_is_read(text, expected):
    assert parse_time(text) == expected


@pytest.mark.parametrize(
    ("value", "part_of_message"),
    [
        ("25:00", "no 25:00 in a day"),
        ("12:60", "no 12:60 in a day"),
        ("24:01", "no 24:01 in a day"),
        ("sunrise-", "how long before or after sunrise"),
        ("sunset+7h", "more than 6 hours"),
        ("sunrise-30", "is not a time of day"),
        ("moonrise", "is not a time of day"),
        ("", "is not a time of day"),
        ("٠٧:٠٠", "is not a time of day"),  # digits, but not those of the grammar
        (7, "not a time of day"),
        (None, "not a time of day"),
        (["07:00"], "not a time of day"),
        (time(7, 0, 30), "whole minutes"),
    ],
)
def test_what_is_refused(value, part_of_message):
    with pytest.raises(ValueError, match=part_of_message):
        parse_time(value)


@pytest.mark.parametrize("text", ["00:00", "07:05", "24:00", "sunrise", "sunrise-30min", "dusk+360min"])
def test_text_and_back(text):
    assert str(parse_time(text)) == text
