"""Dates as an owner writes them, and where they matter: rules, windows, waiting."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from dooryard.core.errors import ConfigError
from dooryard.core.records import Moment, Outcome
from dooryard.policy.almanac import hours_table
from dooryard.policy.changes import policy_changes
from dooryard.policy.dates import DateRange, DayOfYear, ever_meet, parse_date, within
from dooryard.policy.decide import decide
from dooryard.policy.hours import is_open
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from fakes.rules import SINKS, START, policy, visit


def span(first, last):
    return DateRange.model_validate({"from": first, "to": last})


def noon(text):
    return Moment(datetime.fromisoformat(f"{text}T12:00:00+00:00"), START.mono_s)


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("1 Nov", DayOfYear(11, 1)),
        ("01 november", DayOfYear(11, 1)),
        (" 15  MAR ", DayOfYear(3, 15)),
        ("29 Feb", DayOfYear(2, 29)),
        ("3 Sept", DayOfYear(9, 3)),
        ("2026-12-20", date(2026, 12, 20)),
        (date(2026, 12, 20), date(2026, 12, 20)),  # a TOML date, without quotation marks
    ],
)
def test_what_is_a_date(text, read):
    assert parse_date(text) == read


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("14.06.2026", '"14.06.2026" is not a date; write "2026-06-14" for that day once, or "1 Nov"'),
        ("Nov 1", 'write the day first: "1 Nov"'),
        ("06/07/2026", 'is not a date; write "1 Nov" for every year, or "2026-11-01" for once'),
        ("31 Apr", 'there is no 31 April: its days are 1 to 30; write such as "30 Apr"'),
        ("30 Feb", "there is no 30 February: its days are 1 to 29"),
        ("0 Jan", 'there is no 0 January: its days are 1 to 31; write such as "1 Jan"'),
        ("1 Nvo", 'no month is called "Nvo" (did you mean "Nov"?)'),
        ("2026-04-31", 'there is no 2026-04-31; the last day of that month is "2026-04-30"'),
        ("2026-12-32", 'the last day of that month is "2026-12-31"'),
        ("2027-02-29", 'the last day of that month is "2027-02-28"'),
        ("9999-12-32", "choose an earlier year"),
        ("2026-13-01", 'write year, month and day, such as "2026-11-01"'),
        ("0000-01-01", "write year, month and day"),
        (20261101, "not a date; write"),
        (datetime(2026, 11, 1, tzinfo=UTC), "not a date; write"),
        ("", 'is not a date; write "1 Nov"'),
    ],
)
def test_what_is_none_says_what_to_write(text, said):
    with pytest.raises(ValueError) as caught:
        parse_date(text)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("dates", "inside", "outside"),
    [
        (("1 Nov", "15 Mar"), ["2026-11-01", "2026-12-31", "2027-01-01", "2027-03-15"],
         ["2026-10-31", "2027-03-16", "2027-07-01"]),
        (("1 Jun", "31 Aug"), ["2026-06-01", "2030-08-31"], ["2026-05-31", "2026-09-01"]),
        (("24 Dec", "24 Dec"), ["2026-12-24", "2027-12-24"], ["2026-12-23", "2026-12-25"]),
        (("2026-12-20", "2027-01-03"), ["2026-12-20", "2027-01-03"], ["2026-12-19", "2027-01-04"]),
        (("29 Feb", "1 Apr"), ["2028-02-29", "2027-03-01"], ["2027-02-28", "2028-02-28"]),
        (("1 Feb", "29 Feb"), ["2028-02-29", "2027-02-28"], ["2027-03-01", "2028-03-01"]),
        (("29 Feb", "29 Feb"), ["2028-02-29"], ["2027-02-28", "2027-03-01"]),
        (("31 Dec", "1 Jan"), ["2026-12-31", "2027-01-01"], ["2026-12-30", "2027-01-02"]),
    ],
)  # fmt: skip
def test_both_ends_are_included(dates, inside, outside):
    found = (span(*dates),)
    assert all(within(found, date.fromisoformat(on)) for on in inside)
    assert not any(within(found, date.fromisoformat(on)) for on in outside)


def test_every_day_of_some_years_against_a_simple_reading():
    """A yearly range by going on day by day from its beginning until its end."""
    for first, last in (("1 Nov", "15 Mar"), ("10 Mar", "5 Mar"), ("1 Jun", "30 Jun"), ("28 Feb", "1 Mar")):
        found = span(first, last)
        for year in (2027, 2028):
            begin, inside = parse_date(first), set()
            day = date(year - 1, begin.month, begin.day)
            while day < date(year + 1, 1, 1):
                if (day.month, day.day) == (begin.month, begin.day):
                    ends = parse_date(last)
                    while (day.month, day.day) != (ends.month, ends.day):
                        inside.add(day)
                        day += timedelta(days=1)
                    inside.add(day)
                day += timedelta(days=1)
            days = [date(year, 1, 1) + timedelta(days=k) for k in range(365)]
            assert [day in found for day in days] == [day in inside for day in days]


TEXT = """
[place]
name = "Alder Row"
time_zone = "Europe/London"
[[rule]]
name = "winter"
visitor = "bird"
dates = {dates}
"""


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        ('{ from = "14.06.2026", to = "1 Jul" }', 'p.toml:8: rule[1].dates.from: "14.06.2026" is not a date'),
        ('[{ from = "1 Apr", to = "31 Apr" }]', "p.toml:8: rule[1].dates[1].to: there is no 31 April"),
        ('{ from = "1 Nov", to = "2026-12-01" }', "p.toml:8: rule[1].dates: from 1 Nov to 2026-12-01: one"),
        ('{ from = "2027-01-02", to = "2027-01-01" }', "from 2027-01-02 is after to 2027-01-01; exchange"),
        ('{ from = "1 Nov" }', "p.toml:8: rule[1].dates.to: missing: add it (its last day"),
        ('{ from = "1 Nov", until = "2 Nov" }', "rule[1].dates.until: unknown key"),
    ],
)  # fmt: skip
def test_a_wrong_date_is_named_with_its_line(dates, said):
    with pytest.raises(ConfigError) as caught:
        parse_policy(TEXT.replace("{dates}", dates), "p.toml")
    assert said in caught.value.what


def taken(rules, now, **more):
    clock_set = more.pop("clock_set", True)
    return decide(rules, PolicyState(), visit(**more), now, clock_set, sinks=SINKS)[1]


WINTER = {"name": "winter", "dates": {"from": "1 Nov", "to": "15 Mar"}}


def test_a_rule_goes_by_the_local_date_of_the_decision():
    rules = policy({"dates": {"from": "14 Jun", "to": "14 Jun"}})
    before, after = (
        Moment(datetime(2026, 6, 14, hour, 30, tzinfo=UTC), START.mono_s) for hour in (22, 23)
    )  # 23:30 and 00:30 in London
    assert taken(rules, before).outcome is Outcome.TELL
    late = taken(rules, after)
    assert late.outcome is Outcome.SILENT
    assert late.reason.endswith('15 June 2026 is not within the dates of rule "rule 1": 14 Jun')
    assert [clause.name for clause in late.clauses] == ["visitor", "dates"]


def test_while_the_clock_is_not_set_dates_do_not_count():
    decision = taken(policy(WINTER), noon("2026-06-14"), clock_set=False)
    assert decision.outcome is Outcome.TELL
    assert decision.clauses[1].text == 'the clock is not set, so the dates of rule "winter" don\'t count'


@pytest.mark.parametrize(("on", "by"), [("2026-06-14", "second"), ("2026-12-14", None)])
def test_a_rule_whose_dates_are_not_open_is_not_waited_for(on, by):
    rules = policy({**WINTER, "shortest_stay_s": 8}, {"name": "second"})
    assert taken(rules, noon(on), stay_s=2).rule == by
    finch = policy({**WINTER, "visitor": "house finch"}, {"name": "second"})
    assert taken(finch, noon(on), group="bird", stay_s=2).rule == by


def test_a_window_opens_on_its_dates_and_may_end_after_them():
    hours = {"from": "22:00", "to": "06:00", "dates": {"from": "24 Dec", "to": "24 Dec"}}
    rules = policy({"hours": hours})
    at = [
        is_open(rules.rule[0].hours, rules.place, datetime(2026, 12, day, hour, 30, tzinfo=UTC))
        for day, hour in ((23, 23), (24, 5), (24, 21), (24, 22), (25, 5), (25, 6), (25, 23))
    ]
    assert at == [False, False, False, True, True, False, False]


def test_the_table_of_hours_shows_dates():
    rules = policy(
        {**WINTER, "hours": {"from": "10:00", "to": "11:00", "dates": {"from": "1 Dec", "to": "2 Dec"}}},
        hours={"watch": {"from": "08:00", "to": "18:00", "dates": {"from": "1 Nov", "to": "15 Mar"}}},
    )
    rows = hours_table(rules, date(2026, 10, 31), 2).splitlines()
    assert rows[2].endswith("closed by its dates  never")
    assert rows[3].endswith("08:00 to 18:00       never")
    assert rows[-2:] == [
        'Rule "winter" is for 1 Nov to 15 Mar: 1 of the 2 days above.',
        'Rule "winter" from 10:00 to 11:00 is for 1 Dec to 2 Dec: no day above.',
    ]


def test_a_change_of_dates_is_shown():
    (line,) = policy_changes(policy({"name": "winter"}), policy(WINTER))
    assert line == 'rule "winter": dates: [] -> [{ from = 1 Nov, to = 15 Mar }]'


@pytest.mark.parametrize(
    ("a", "b", "meet"),
    [
        (("1 Nov", "15 Mar"), ("1 Jan", "5 Jan"), True),
        (("1 Nov", "15 Mar"), ("1 Jun", "5 Jun"), False),
        (("29 Feb", "29 Feb"), ("2026-01-01", "2027-12-31"), False),
        (("29 Feb", "29 Feb"), ("2026-01-01", "2028-12-31"), True),
        (("2026-01-01", "2026-01-05"), ("2026-01-05", "2026-01-09"), True),
        (("2026-01-01", "2026-01-05"), ("2027-01-01", "2027-01-05"), False),
        (("9999-12-30", "9999-12-31"), ("1 Jan", "31 Dec"), True),
    ],
)
def test_whether_dates_ever_meet(a, b, meet):
    assert ever_meet((span(*a),), (span(*b),)) is meet
    assert ever_meet((span(*b),), (span(*a),)) is meet


def warned(rule, hours=""):
    text = TEXT.partition("[[rule]]")[0] + hours + f'[[rule]]\nname = "winter"\nvisitor = "bird"\n{rule}\n'
    return " ".join(parse_policy(text, "p.toml").warnings)


def test_dates_that_never_meet_those_of_the_hours_are_warned_of():
    other = 'hours = { from = "22:00", to = "06:00", dates = { from = "%s", to = "%s" } }'
    winter = 'dates = { from = "1 Nov", to = "15 Mar" }\n'
    said = warned(winter + other % ("1 Jun", "2 Jun"))
    assert 'rule[1].dates: "winter" can never fire: its dates are 1 Nov to 15 Mar' in said
    assert warned(winter + other % ("30 Oct", "31 Oct")) == ""  # that night ends within the dates
    assert warned(winter + other % ("1 Jan", "2 Jan")) == ""


def test_hours_of_another_year_are_not_taken_for_hours_without_a_watch():
    once = 'hours = { from = "10:00", to = "12:00", dates = { from = "2031-01-01", to = "2031-01-03" } }'
    assert warned(once, '[hours]\nwatch = { from = "09:00", to = "17:00" }\n') == ""


def test_quiet_dates_are_not_taken_for_quiet_the_year_round():
    quiet = '[hours]\nquiet = { from = "00:00", to = "24:00", dates = { from = "1 Feb", to = "10 Jan" } }\n'
    assert warned("", quiet) == ""
    assert "it is always quiet" in warned("", '[hours]\nquiet = { from = "00:00", to = "24:00" }\n')


def test_a_rule_behind_one_with_dates_is_not_in_vain():
    both = 'dates = { from = "1 Nov", to = "15 Mar" }\n[[rule]]\nname = "all year"\nvisitor = "bird"\n'
    assert warned(both) == ""
    assert "can never fire" in warned(both + 'dates = { from = "1 Nov", to = "15 Mar" }')
    for key in ('new = "ever"', "unseen_days = 3", "at_once = 2", "visits_in_hour = 2"):
        assert warned(both.replace('dates = { from = "1 Nov", to = "15 Mar" }', key)) == ""
