"""What alerts and summaries say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from dooryard.core.records import Moment, Outcome, Visitor
from dooryard.core.wording import duration, label, percent, spoken, with_article
from dooryard.policy.decide import decide
from dooryard.policy.say import (
    CLOCK_NOT_SET,
    DayVisit,
    alert_for,
    still_here,
    still_here_alert,
    summary_alert,
    summary_due,
)
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from dooryard.policy.still_here import is_still_here
from fakes.rules import ALDER_ROW, SINKS, START, later, policy, visit

RULES = policy({"send_to": ["phone"]}, summary={"at": "20:00", "send_to": ["post"]})


def alert(seen, clock_set=True, rules=RULES, **more):
    _, decision = decide(rules, PolicyState(), seen, START, clock_set, sinks=SINKS)
    return alert_for(rules, seen, decision, later(12), clock_set, **more)


@pytest.mark.parametrize(
    ("seen", "title", "text"),
    [
        (visit(), "A squirrel at Alder Row, 14:03",
         "A squirrel, 90 % sure; came 14 June at 14:03, has stayed 12 s."),
        (visit("bird", ended=True), "A bird, species not sure, at Alder Row, 14:03",
         "A bird, 90 % sure; came 14 June at 14:03, stayed 12 s."),
        (visit("bird", "american robin", "Turdus migratorius"), "An American robin at Alder Row, 14:03",
         "An American robin (Turdus migratorius), 90 % sure; came 14 June at 14:03, has stayed 12 s."),
        (visit("animal"), "An animal, not sure which, at Alder Row, 14:03",
         "An animal, 90 % sure; came 14 June at 14:03, has stayed 12 s."),
    ],
)  # fmt: skip
def test_title_and_text(seen, title, text):
    told = alert(seen)
    assert (told.title, told.text) == (title, text)


def test_an_alert_is_addressed_and_dated():
    told = alert(visit(), picture="2026/06/14/a.jpg")
    assert (told.id, told.kind, told.sinks, told.visit) == ("visit-1", "visit", ("phone",), "visit-1")
    assert told.wall == START.wall
    assert told.picture == "2026/06/14/a.jpg"
    assert alert(visit(), alert_id="x").id == "x"


def test_a_rule_may_leave_the_picture_out():
    rules = policy({"with_picture": False})
    assert alert(visit(), rules=rules, picture="a.jpg").picture is None


def test_while_the_clock_is_not_set_no_time_is_told():
    told = alert(visit(), clock_set=False)
    assert told.title == "A squirrel at Alder Row"
    assert told.text.endswith("The box's clock was not set, so the time is not known.")
    assert ":" not in told.text
    assert not told.clock_set


def rows():
    def row(name, minutes, outcome):
        return DayVisit(name, START.wall + timedelta(minutes=minutes), outcome)

    return [
        row("house finch", 0, Outcome.TELL),
        row("house finch", 90, Outcome.SILENT),
        row("house finch", 300, Outcome.HOLD),
        row("bird, species not sure", 10, Outcome.SILENT),
    ]


def test_summary():
    told = summary_alert(RULES, rows(), later(6 * 3600), SINKS)
    assert told.title == "Alder Row, 14 June: 4 visits"
    assert told.text == (
        "House finch: 3 times, 14:03 to 19:03 (1 sent, 1 held in quiet hours)\n"
        "Bird, species not sure: at 14:13"
    )
    assert (told.id, told.kind, told.sinks) == ("summary-2026-06-14", "summary", ("post",))


def test_an_empty_summary():
    told = summary_alert(RULES, [], later(6 * 3600), SINKS)
    assert told.title == "Alder Row, 14 June: no visits"
    assert told.text == "Nobody came since the last summary."


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("last", "now", "due"),
    [
        # The summary's time is 20:00 in London, 19:00 UTC in June.
        ("2026-06-13 19:00:30", "2026-06-14 18:59", False),
        ("2026-06-13 19:00:30", "2026-06-14 19:00", True),
        ("2026-06-14 19:00:30", "2026-06-14 19:01", False),
        ("2026-06-10 19:00:30", "2026-06-14 08:00", True),  # the box was away
        (None, "2026-06-14 19:30", True),
        (None, "2026-06-14 20:01", False),  # a new box: not for a time long past
        ("2026-06-14 19:00:30", "2026-06-14 18:30", False),  # the clock went back a little
        ("2031-01-01 19:00:30", "2026-06-14 19:30", True),  # the clock had been far wrong
    ],
)
def test_when_a_summary_is_due(last, now, due):
    assert summary_due(RULES, last and at(last), at(now)) is due


def test_a_summary_by_the_sun_comes_every_day_even_without_sunset():
    rules = Policy.model_validate(
        {"place": {**ALDER_ROW, "latitude": 69.65, "longitude": 18.96, "time_zone": "Europe/Oslo"},
         "summary": {"at": "sunset+30min"}}
    )  # fmt: skip
    last, sent = at("2026-05-01 00:00"), 0
    for hour in range(24 * 90):  # through the beginning of the midnight sun and its end
        now = at("2026-05-01 00:00") + timedelta(hours=hour)
        if summary_due(rules, last, now):
            last, sent = now, sent + 1
    assert sent in (89, 90, 91)


@pytest.mark.parametrize("tables", [{"at": "never"}, {"send_to": []}])
def test_no_summary_is_ever_due(tables):
    rules = policy({}, summary=tables)
    assert not summary_due(rules, at("2026-06-01 00:00"), at("2026-06-14 19:30"))


@pytest.mark.parametrize(
    ("visitor", "text"),
    [
        (Visitor("squirrel", 0.9), "a squirrel"),
        (Visitor("bird", 0.9), "a bird, species not sure"),
        (Visitor("bird", 0.9, "indigo bunting"), "an indigo bunting"),
        (Visitor("bird", 0.9, "european robin"), "a European robin"),
        (Visitor("animal", 0.9), "an animal, not sure which"),
    ],
)
def test_spoken(visitor, text):
    assert spoken(visitor) == text


@pytest.mark.parametrize(
    ("visitor", "text"),
    [
        (Visitor("squirrel", 0.9), "squirrel"),
        (Visitor("bird", 0.9), "bird, species not sure"),
        (Visitor("bird", 0.9, "house finch"), "house finch"),
        (Visitor("animal", 0.9), "animal, not sure which"),
    ],
)
def test_label(visitor, text):
    assert label(visitor) == text


def test_articles():
    assert with_article("owl") == "an owl"
    assert with_article("hedgehog") == "a hedgehog"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (0.01, "1 s"), (59.2, "1 min"), (60, "1 min"), (130, "2 min 10 s"), (600, "10 min"),
     (3600, "1 h"), (3900, "1 h 5 min"), (7199.5, "2 h")],
)  # fmt: skip
def test_duration(seconds, text):
    assert duration(seconds) == text


@pytest.mark.parametrize(("part", "text"), [(0.7, "70 %"), (0.6999, "69 %"), (1.0, "100 %"), (0.29, "29 %")])
def test_percent(part, text):
    assert percent(part) == text


def test_wall_times_may_be_in_any_zone():
    moved = Moment(START.wall.astimezone(RULES.place.zone), START.mono_s)
    assert alert(visit(start=moved)).title == "A squirrel at Alder Row, 14:03"


@pytest.mark.parametrize(
    ("group", "species", "said"),
    [
        ("cat", None, "The cat is still here after 10 min"),
        ("bird", "european robin", "The European robin is still here after 10 min"),
        ("animal", None, "The animal is still here after 10 min"),
        ("something", None, "What moved is still here after 10 min"),
    ],
)
def test_who_is_still_here(group, species, said):
    rules = policy({"visitor": [group], "still_here_min": 10, "urgent": True, "with_picture": False})
    here = visit(group, species, stay_s=601)
    _, decision = decide(rules, PolicyState(), here, START, True, sinks=SINKS)
    alert = still_here_alert(rules, here, decision, later(601), True, picture="p.jpg")
    assert alert.title == f"{said}, Alder Row"
    assert alert.text == f"{said}. It came 14 June at 14:03."
    assert (alert.id, alert.visit, alert.urgent, alert.picture) == ("visit-1-still", "visit-1", True, None)
    undated = still_here_alert(rules, here, decision, later(601), False, picture=None)
    assert undated.text == f"{said}. {CLOCK_NOT_SET}"
    assert not undated.clock_set


@pytest.mark.parametrize(
    ("asked_min", "stay_s", "said"),
    [
        (0.5, 31, "30 s"),
        (10, 659.9, "10 min"),
        (10, 720, "12 min"),
        (1.5, 100, "1 min 30 s"),
        (60, 3600, "1 h"),
    ],
)
def test_how_long_it_is_said_to_have_stayed(asked_min, stay_s, said):
    rules = policy({"visitor": "cat", "still_here_min": asked_min})
    here = visit("cat", stay_s=stay_s)
    _, decision = decide(rules, PolicyState(), here, START, True, sinks=SINKS)
    assert still_here(rules, here, decision) == f"The cat is still here after {said}"


def test_a_rule_that_is_gone_tells_nothing_more():
    here, gone = visit("cat", stay_s=900), policy({"name": "other"})
    _, decision = decide(policy({"still_here_min": 10}), PolicyState(), here, START, True, sinks=SINKS)
    assert not is_still_here(gone, here, decision)
    with pytest.raises(ValueError, match="ask `is_still_here` first"):
        still_here(gone, here, decision)
