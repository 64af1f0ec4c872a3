"""The table of coming days."""

from __future__ import annotations

from datetime import date

import pytest

from dooryard.core.errors import ConfigError
from dooryard.policy.almanac import hours_table
from dooryard.policy.schema import Policy
from fakes.rules import ALDER_ROW, policy

HOURS = {"watch": {"from": "sunrise-30min", "to": "sunset"}, "quiet": {"from": "21:30", "to": "07:00"}}
NORTH = {"name": "Alder Row, north", "latitude": 69.65, "longitude": 18.96, "time_zone": "Europe/Oslo"}


def lines(rules, first, days):
    return hours_table(rules, first, days).split("\n")


def test_a_summer_day_at_alder_row():
    head, columns, day, below, _ = lines(policy({}, hours=HOURS), date(2026, 6, 14), 1)
    assert head == "Alder Row, 51.752° N, 1.258° W, Europe/London"
    assert columns.split() == ["dawn", "sunrise", "sunset", "dusk", "watch", "quiet"]
    # Sunrise and sunset are within a minute of skyfield's: see tests/reference/test_sun_against_ephemeris.
    words = day.split()
    assert words[:4] == ["Sun", "14", "Jun", "2026"]
    assert words[5:7] == ["04:46", "21:24"]
    assert day.endswith("04:16 to 21:24  21:30 to 07:00+")
    assert below.startswith("The summary is sent at 20:00.")


def test_the_days_on_which_clocks_change():
    spring = lines(policy({}, hours=HOURS), date(2026, 3, 28), 3)
    assert ["(clocks +60 min)" in line for line in spring[2:5]] == [False, True, False]
    assert "(clocks -60 min)" in lines(policy({}, hours=HOURS), date(2026, 10, 25), 1)[2]


@pytest.mark.parametrize(("on", "stands"), [(date(2026, 6, 21), "up"), (date(2026, 12, 21), "down")])
def test_where_the_sun_does_not_rise_or_set(on, stands):
    rules = Policy.model_validate({"place": NORTH, "hours": {"watch": {"from": "sunrise", "to": "sunset"}}})
    day = lines(rules, on, 1)[2]
    assert day.split().count(stands) >= 2
    assert ("not this day" in day) is (stands == "down")


def test_a_place_without_coordinates():
    rules = Policy.model_validate({"rule": [{"name": "x", "visitor": ["cat"]}]})
    head, columns, day, *_ = lines(rules, date(2026, 6, 14), 1)
    assert "need place.latitude" in head
    assert columns.split() == ["watch", "quiet"]
    assert day.split()[-2:] == ["always", "never"]


def test_as_many_lines_as_days():
    rules = Policy.model_validate({"place": ALDER_ROW})
    assert len(lines(rules, date(2026, 1, 1), 30)) == 34
    assert len(lines(rules, date(2026, 1, 1), 400)) == 404


@pytest.mark.parametrize(
    ("first", "days", "words"),
    [
        (date(9999, 12, 30), 7, "choose days from 1900-01-01 to 2100-12-31"),
        (date(1, 1, 1), 1, "1 day from 0001-01-01 on cannot"),
        (date(2100, 12, 31), 2, "2 days from 2100-12-31 on cannot"),
        (date(2026, 1, 1), 401, "401 days are too many"),
        (date(9999, 12, 31), 10**12, "ask for 400 at most"),
    ],
)
def test_days_that_cannot_be_told(first, days, words):
    with pytest.raises(ConfigError) as caught:
        hours_table(policy({}, hours=HOURS), first, days)
    assert words in str(caught.value)


@pytest.mark.parametrize("on", [date(1900, 1, 1), date(2100, 12, 31)])
def test_the_first_and_the_last_day_can_be_told(on):
    for place in (ALDER_ROW, NORTH):
        rules = Policy.model_validate({"place": place, "hours": HOURS})
        assert f"{on:%b %Y}" in lines(rules, on, 1)[2]


def test_days_of_the_week():
    hours = {"watch": {"from": "22:00", "to": "06:00", "days": ["Sat", "Sun"]}}
    days = lines(policy({}, hours=hours), date(2026, 6, 12), 4)[2:6]  # from a Friday on
    assert ["22:00 to 06:00+" in day for day in days] == [False, True, True, False]
    assert ["not this day" in day for day in days] == [True, False, False, True]


def test_times_at_which_the_sun_stands_in_are_marked():
    place = {"latitude": 69.65, "longitude": 18.96, "time_zone": "Europe/Oslo"}
    dark = Policy.model_validate({"place": place, "hours": {"watch": {"from": "22:00", "to": "sunrise"}}})
    _head, _names, line, _summary, below = hours_table(dark, date(2026, 12, 21), 1).splitlines()
    assert "22:00 to 11:42+~" in line
    assert below.startswith("~ the sun does not do that on this day")
    assert "~" not in hours_table(dark, date(2026, 3, 21), 1)


def test_quiet_hours_and_summary_of_a_sink():
    sinks = [
        {"name": "phone", "quiet": {"from": "22:30", "to": "06:00"}, "summary_at": "07:15"},
        {"name": "post", "quiet": [], "summary_at": "never"},
        {"name": "hut", "at_most_per_day": 5},
    ]
    _head, columns, day, below, phone, post, _ = lines(
        policy({}, hours=HOURS, sink=sinks), date(2026, 6, 14), 1
    )
    assert columns.endswith("quiet            quiet: phone     quiet: post")
    assert day.endswith("21:30 to 07:00+  22:30 to 06:00+  never")
    assert below.startswith("The summary is sent at 20:00.")
    assert (phone, post) == ("phone gets its summary at 07:15.", "post gets no summary.")
