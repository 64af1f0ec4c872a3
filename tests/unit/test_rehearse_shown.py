"""What a rehearsal looks like: differences, tables, the page, and the data for other programs."""

from __future__ import annotations

import json
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest

from dooryard.core.records import Outcome
from dooryard.policy.changes import policy_changes
from dooryard.policy.schema import Policy
from dooryard.rehearse import machine, table
from dooryard.rehearse.differ import differences
from dooryard.rehearse.page import page
from dooryard.rehearse.timeline import days_picture, recording_picture
from dooryard.rehearse.truth import TrueVisit, score
from fakes.rehearsals import moved, rehearsal, seen
from fakes.rules import later, policy

HOURS = {"watch": {"from": "sunrise", "to": "sunset"}, "quiet": {"from": "21:30", "to": "07:00"}}


def test_what_differs_and_why():
    squirrel, bird = seen(0, number=1), seen(100, "bird", number=2)
    silent = seen(100, "bird", Outcome.SILENT, why="cooldown of 4 min has 10 s left", number=2)
    a, b = rehearsal(squirrel, bird), replace(rehearsal(squirrel, silent), policy_file="other.toml")
    (found,) = differences(a, b)
    assert (found.a, found.b, found.what) == (bird, silent, "not sent, was sent")
    text = table.difference_table(a, b, [], [found])
    assert "14 Jun 14:04:40  bird, species not sure: not sent, was sent" in text
    assert '      alder-row.toml: sent: by rule "rule 1" to phone' in text
    assert "      other.toml: not sent: cooldown of 4 min has 10 s left" in text


def test_the_same_is_no_difference():
    a = rehearsal(seen(0, number=1), seen(5, "bird", number=2))
    assert differences(a, a) == []
    assert "no decision differs, of 2" in table.difference_table(a, a, [], [])


def test_a_visit_that_only_one_has():
    a, b = rehearsal(seen(0, number=1), seen(100, number=2)), rehearsal(seen(0, number=1))
    assert [each.what for each in differences(a, b)] == ["only with the first: sent"]
    assert [each.what for each in differences(b, a)] == ["only with the second: sent"]


def test_visits_are_paired_by_time_where_their_ids_differ():
    other = replace(seen(3), visit=replace(seen(3).visit, id="another"))
    assert differences(rehearsal(seen(0)), rehearsal(other)) == []


def test_two_visitors_at_once_are_not_taken_for_each_other():
    a = rehearsal(seen(0, "bird", number=1), seen(0, "squirrel", number=2))
    b = rehearsal(seen(0, "squirrel", number=3), seen(0, "bird", number=4))
    assert differences(a, b) == []


def test_what_another_policy_changes():
    a = policy({"cooldown_min": 4}, {"name": "cats", "visitor": ["cat"]}, hours=HOURS)
    b = policy({"cooldown_min": 10}, hours={**HOURS, "watch": {"from": "dawn", "to": "sunset"}})
    assert policy_changes(a, b) == [
        "hours watch: [{ from = sunrise, to = sunset }] -> [{ from = dawn, to = sunset }]",
        'rule "rule 1": cooldown_min: 4 -> 10',
        'rule "cats": taken out',
        'rules, in order: ["rule 1", "cats"] -> ["rule 1"]',
    ]
    assert policy_changes(a, a) == []


def test_the_table():
    held = seen(200, "cat", Outcome.HOLD, why="quiet hours until 15:00", number=3)
    text = table.told_table(rehearsal(seen(0, number=1), held))
    assert text.split("\n")[2:4] == [
        '  14 Jun 14:03:00    12 s   squirrel                     90 %   sent: by rule "rule 1" to phone',
        f"  14 Jun 14:06:20    12 s   {'cat':<29}90 %   held for the summary: quiet hours until 15:00",
    ]
    assert "3000 frames in 10 min: 2 visits (1 sent, 1 held for the summary)" in text
    assert "nobody came" in table.told_table(rehearsal())


def test_the_table_of_truth():
    result = score([TrueVisit(later(0).wall, later(9).wall, "squirrel")], rehearsal(seen(0)))
    text = table.score_table(rehearsal(seen(0)), result)
    assert "1 of 1 (21 to 100 %)" in text
    assert "alerts while nobody was there: 0 of 1 (0 to 79 %)" in text


def test_data_for_other_programs():
    first = rehearsal(seen(0, number=1))
    result = score([TrueVisit(later(0).wall, later(9).wall, "squirrel")], first)
    data = json.loads(json.dumps(machine.rehearsal_data(first, result)))
    assert data["visits"][0]["reason"] == 'sent: Alder Row, a squirrel: by rule "rule 1" to phone'
    assert data["truth"]["false_alerts"] == {"count": 0, "total": 1, "low": 0.0, "high": 0.7935}
    other = machine.difference_data(differences(first, rehearsal()), ["a change"])
    assert other["visits"][0]["second"] is None


class Tags(HTMLParser):
    """Checks that tags close in the order in which they opened, and gathers what the page refers to."""

    VOID = {"meta", "img", "br"}  # noqa: RUF012  a constant

    def __init__(self):
        super().__init__()
        self.open, self.links, self.names = [], [], set()

    def handle_starttag(self, tag, attrs):
        self.names.add(tag)
        self.links += [value for name, value in attrs if name in ("src", "href", "action", "srcset")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.names.add(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def shown(text):
    tags = Tags()
    tags.feed(text)
    assert tags.open == []
    return tags


def test_the_page_stands_alone():
    first = rehearsal(seen(0, number=1, jpeg=b"\xff\xd8picture"), rules=policy({}, hours=HOURS))
    result = score([TrueVisit(later(0).wall, later(9).wall, "squirrel")], first)
    text = page([first], [result], [[rehearsal(seen(0, outcome=Outcome.SILENT, number=1))]])
    tags = shown(text)
    assert not tags.names & {"script", "link", "iframe", "object", "form"}
    assert [link.partition(",")[0] for link in tags.links] == ["data:image/jpeg;base64"]
    assert "url(" not in text
    assert "@import" not in text
    assert "prefers-color-scheme: dark" in text
    assert 'content="width=device-width' in text
    assert "Wilson" in text
    assert "not sent, was sent" in text


def test_names_from_outside_are_not_markup():
    rules = Policy.model_validate({"place": {"name": "<b>&Row"}, "rule": [{"name": "x", "visitor": ["cat"]}]})
    first = replace(rehearsal(seen(0, why="<i>"), rules=rules), recording="<script>", notes=("<u>",))
    tags = shown(page([first]))
    assert not tags.names & {"script", "i", "u"}


def test_a_page_without_visits_or_frames():
    empty = replace(rehearsal(), first=None, last=None, frames=0)
    shown(page([empty]))
    shown(page([]))


@pytest.mark.parametrize("hours", [HOURS, {}])
def test_the_pictures_are_svg(hours):
    first = rehearsal(
        seen(0, number=1), seen(50, "bird", Outcome.HOLD, number=2), rules=policy({}, hours=hours)
    )
    for picture in (days_picture(first), recording_picture(first)):
        root = ET.fromstring(picture)
        assert root.tag == "svg"
    marks = ET.fromstring(recording_picture(first)).findall("rect")
    assert [mark.get("class") for mark in marks] == ["told", "held"]


def test_the_day_has_its_sun_and_the_windows():
    root = ET.fromstring(days_picture(rehearsal(seen(0), rules=policy({}, hours=HOURS))))
    kinds = [part.get("class") for part in root if part.get("class")]
    assert kinds == [
        "night",
        "twilight",
        "day",
        "twilight",
        "night",
        "watch",
        "quiet",
        "quiet",
        "frames",
        "told",
    ]
    day = next(part for part in root if part.get("class") == "day")
    # Oxford's longest days: sunrise 04:45, sunset 21:25 by the clock (from memory); 16 px an hour.
    assert float(day.get("x")) == pytest.approx(8 + 4.75 * 16, abs=4)
    assert float(day.get("width")) == pytest.approx(16.66 * 16, abs=6)


def test_a_place_that_is_not_known_has_no_sun():
    rules = Policy.model_validate({"rule": [{"name": "x", "visitor": ["cat"]}]})
    root = ET.fromstring(days_picture(rehearsal(seen(0), rules=rules)))
    assert "day" not in [part.get("class") for part in root]


def test_a_visit_that_lasts_longer_is_paired_with_its_like():
    a, b = rehearsal(seen(0, stay_s=60)), rehearsal(moved(seen(0, stay_s=60), 20))
    assert differences(a, b) == []


@pytest.mark.parametrize(
    ("days", "x", "width"),
    [
        (["Sun"], 8 + 22 * 16, 2 * 16),  # the visits are on Sunday, 14 June 2026; 16 px an hour
        (["Sat"], 8, 6 * 16),
        (["Fri"], None, None),
    ],
)
def test_the_day_has_the_windows_of_its_day_of_the_week(days, x, width):
    hours = {"watch": {"from": "22:00", "to": "06:00", "days": days}}
    root = ET.fromstring(days_picture(rehearsal(seen(0), rules=policy({}, hours=hours))))
    bars = [part for part in root if part.get("class") == "watch"]
    assert [(float(bar.get("x")), float(bar.get("width"))) for bar in bars] == ([(x, width)] if x else [])


def test_days_of_the_week_that_another_policy_changes():
    def watched(**more):
        return policy({}, hours={"watch": {"from": "08:00", "to": "18:00", **more}})

    assert policy_changes(watched(), watched(days=["Sun", "Sat"])) == [
        "hours watch: [{ from = 08:00, to = 18:00 }] -> [{ from = 08:00, to = 18:00, days = [Sat, Sun] }]"
    ]
    assert policy_changes(watched(days="Sat"), watched(days=["Sat"])) == []


def test_a_second_message_is_shown_and_counted():
    once = seen(0, "cat", stay_s=700)
    again = replace(once, still=(later(601).wall, "The cat is still here after 10 min"))
    a, b = rehearsal(once), rehearsal(again)
    text = table.told_table(b)
    assert "  14 Jun 14:13:01  sent again: The cat is still here after 10 min" in text.split("\n")
    assert "1 visit (1 sent, 1 sent again as still here)" in text
    assert "sent again" not in table.told_table(a)
    assert [each.what for each in differences(a, b)] == ["sent again as still here, was sent once only"]
    (data,) = machine.rehearsal_data(b)["visits"]
    assert data["still_here"] == [later(601).wall.isoformat(), "The cat is still here after 10 min"]
    assert machine.rehearsal_data(a)["visits"][0]["still_here"] is None
    assert "Sent again, 14:13: The cat is still here after 10 min" in page([b])
