"""What [[absence]] and [[pause]] may say: each problem with its line, what is odd as a warning."""

from __future__ import annotations

from datetime import date

import pytest

from dooryard.core.errors import ConfigError
from dooryard.policy.almanac import hours_table
from dooryard.policy.changes import policy_changes
from dooryard.policy.parse import parse_policy
from fakes.rules import policy

ABSENCE = '[[absence]]\nname = "a"\n'
PAUSE = '[[pause]]\nname = "p"\n'
SINKS, VISITORS = frozenset({"phone"}), frozenset({"bird", "squirrel"})


def parsed(text):
    return parse_policy(text, "p.toml", sinks=SINKS, visitors=VISITORS)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (ABSENCE, 'p.toml:1: absence[1]: needs by = "HH:MM", or after_h'),
        (f'{ABSENCE}by = "10:00"\nafter_h = 3', "p.toml:1: absence[1]: needs one of by and after_h"),
        (f'{ABSENCE}after_h = 3\ndays = ["Sat"]', "p.toml:1: absence[1]: days go with by"),
        (f'{ABSENCE}by = "25:00"', "p.toml:3: absence[1].by: there is no 25:00 in a day"),
        (f"{ABSENCE}after_h = 0.1", "p.toml:3: absence[1].after_h: must be at least 0.5"),
        (f"{ABSENCE}after_h = 2001", "p.toml:3: absence[1].after_h: must be at most 2000"),
        (f'{ABSENCE}after_h = "2"', "p.toml:3: absence[1].after_h: must be a number"),
        (
            f'{ABSENCE}after_h = 2\nvisitor = "brid"',
            'visitor: no visitor is called "brid" (did you',
        ),
        (f"{ABSENCE}after_h = 2\nvisitor = []", "p.toml:4: absence[1].visitor: is empty; name one at least"),
        (f'{ABSENCE}after_h = 2\nsend_to = "fone"', 'absence[1].send_to: the box has no sink "fone"'),
        (f"{ABSENCE}after_h = 2\nwhenover = true", '(did you mean "when_over"?)'),
        (f'{ABSENCE}by = "sunrise+2h"', "p.toml:3: absence[1].by: sunrise needs to know where"),
        (f'{ABSENCE}by = "10:00"\n{ABSENCE}by = "11:00"', 'p.toml:5: absence[2].name: "a" is the name of'),
        ('[absence]\nname = "a"\nby = "10:00"', "p.toml:1: absence: write [[absence]], in double brackets"),
        ("".join(f'[[absence]]\nname = "{i}"\nafter_h = 1\n' for i in range(21)), "at most 20 are allowed"),
        (PAUSE, "p.toml:1: pause[1].dates: missing: add it"),
        (f"{PAUSE}dates = []", "p.toml:3: pause[1].dates: is empty; name one at least"),
        (f'{PAUSE}dates = {{ from = "31 Apr", to = "2 May" }}', "there is no 31 April"),
        (f'{PAUSE}dates = {{ from = "1 Apr" }}', "pause[1].dates.to: missing"),
        (f'{PAUSE}dates = {{ from = "1 Apr", to = "2 Apr" }}\n' * 2, 'p.toml:5: pause[2].name: "p" is the'),
    ],
)
def test_problems(text, problem):
    with pytest.raises(ConfigError) as caught:
        parsed(text)
    assert problem in caught.value.what


@pytest.mark.parametrize(
    ("text", "warning"),
    [
        (f'{ABSENCE}by = "10:00"\nsend_to = []', "p.toml:4: absence[1].send_to: nobody is told"),
        (f'{ABSENCE}by = "10:00"\nsure = 1.0', "p.toml:4: absence[1].sure: no visit is ever as certain"),
        (f'{ABSENCE}by = "00:30"', 'p.toml:3: absence[1].by: "a" is never told: from midnight to 00:30'),
        (
            f'[hours]\nwatch = {{ from = "09:30", to = "18:00" }}\n{ABSENCE}by = "10:00"',
            'p.toml:5: absence[1].by: "a" is never told',
        ),
        (
            f'{ABSENCE}by = "10:00"\ndays = ["Mon"]\ndates = {{ from = "2026-06-16", to = "2026-06-18" }}',
            'p.toml:4: absence[1].days: "a" is never told: none of its dates',
        ),
        (
            f'{PAUSE}dates = {{ from = "1 Jan", to = "31 Dec" }}',
            'p.toml:3: pause[1].dates: "p" holds on every',
        ),
    ],
)
def test_warnings(text, warning):
    (found,) = parsed(text).warnings
    assert found.startswith(warning)


@pytest.mark.parametrize(
    "text",
    [
        f'{ABSENCE}by = "01:00"',
        f'[hours]\nwatch = {{ from = "09:00", to = "18:00" }}\n{ABSENCE}by = "10:00"',
        f'{ABSENCE}by = "24:00"\ndays = ["Tue"]\ndates = {{ from = "2026-06-16", to = "2026-06-18" }}',
        f"{ABSENCE}after_h = 48\nurgent = true\nwhen_over = false",
        f'{PAUSE}dates = [{{ from = "20 Dec", to = "3 Jan" }}, {{ from = "2026-08-01", to = "2026-08-15" }}]',
    ],
)
def test_what_is_right_is_not_warned_of(text):
    assert parsed(text).warnings == ()


def test_hours_show_when_it_is_looked_and_which_days_are_paused():
    rules = policy(
        {},
        absence=[
            {"name": "none by ten", "by": "10:00", "days": ["Sun"]},
            {"name": "none after dusk", "by": "dusk+2h"},
            {"name": "two days", "after_h": 20},
        ],
        pause=[{"name": "away", "dates": {"from": "15 Jun", "to": "20 Jun"}}],
    )
    _, heads, sunday, monday, *below = hours_table(rules, date(2026, 6, 14), 2).split("\n")
    assert heads.split()[-3:] == ["quiet", "absence", "pause"]
    assert "10:00 none by ten, 00:12+ none after dusk" in sunday
    assert sunday.endswith("none")
    assert "none by ten" not in monday
    assert monday.endswith("away")
    assert 'Absence "two days": after 20 h of watching without a visit.' in below


def test_a_policy_without_them_has_no_column():
    heads = hours_table(policy({}), date(2026, 6, 14), 1).split("\n")[1]
    assert heads.split()[-1] == "quiet"


def test_what_another_policy_changes_is_named():
    one, two = {"name": "a", "by": "10:00"}, {"name": "a", "by": "11:00"}
    pause = {"name": "p", "dates": {"from": "1 May", "to": "3 May"}}
    found = policy_changes(policy({}, absence=[one]), policy({}, absence=[two], pause=[pause]))
    assert found == ['absence "a": by: 10:00 -> 11:00', 'pause "p": new']
