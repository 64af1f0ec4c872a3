"""The second reading by itself: examples that follow from the owner's words."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest

from dooryard.core.records import Moment, Outcome, Visitor
from dooryard.policy.schema import Place
from fakes.rules import ALDER_ROW, START, later, visit
from reading.absence import Absence, Message, muted_until
from reading.dates import any_holds, ranges, season_began
from reading.made import GROUP_OF
from reading.simple import Answer, Around, Box, Reader, Still

PLACE = Place.model_validate(ALDER_ROW)
NIGHT = [{"from": "22:00", "to": "07:00"}]
HOUR, DAY = 3600.0, 86_400.0


def reader(*rules: dict[str, Any], quiet: list[Any] | None = None, **tables: object) -> Reader:
    filled = [
        {"name": f"rule {i + 1}", "visitor": ["anything"], "cooldown_min": 0, **r}
        for i, r in enumerate(rules)
    ]
    return Reader({"place": ALDER_ROW, "hours": {"quiet": quiet or []}, "rule": filled, **tables},
                  {"phone", "post"}, GROUP_OF)  # fmt: skip


def outcomes(box: Box, *visits: Any, clock_set: bool = True) -> list[Outcome]:
    """Of visits that are over at once, one after another: (days from the start, keys of the visit)."""
    found = []
    for days, keys in visits:
        start = later(days * DAY)
        over = visit(**keys, start=start, ended=True, number=100 + len(box.final))
        (said,) = box.moment(Around(later(20, start), clock_set), ended=[over])
        assert isinstance(said, tuple)  # no word that somebody is still there
        found.append(said[1].outcome)
    return found


TELL, HOLD, SILENT = Outcome.TELL, Outcome.HOLD, Outcome.SILENT
ROBIN = {"group": "bird", "species": "robin", "scientific": "Erithacus rubecula"}


@pytest.mark.parametrize(
    ("first", "last", "days", "others"),
    [
        ("1 Nov", "15 Mar", ["2026-11-01", "2027-01-01", "2027-03-15"], ["2026-10-31", "2027-03-16"]),
        (
            "2026-12-20",
            "2027-01-03",
            ["2026-12-20", "2027-01-03"],
            ["2026-12-19", "2027-01-04", "2027-12-25"],
        ),
        ("4 may", "4 MAY", ["2026-05-04", "2031-05-04"], ["2026-05-03", "2026-05-05"]),
        ("29 Feb", "3 March", ["2027-03-01", "2028-02-29"], ["2027-02-28", "2028-02-28"]),
        ("20 Feb", "29 February", ["2027-02-28", "2028-02-29"], ["2027-03-01", "2028-03-01"]),
    ],
)
def test_dates(first, last, days, others):
    found = ranges({"from": first, "to": last})
    assert [day for day in [*days, *others] if any_holds(found, date.fromisoformat(day))] == days


@pytest.mark.parametrize(
    ("first", "last"), [("31 Apr", "1 May"), ("1 May", "2026-06-01"), ("2026-06-02", "2026-06-01")]
)
def test_dates_that_are_none(first, last):
    with pytest.raises(ValueError):
        ranges([{"from": first, "to": last}])


def test_seasons():
    days = {"2027-02-28": "2026-12-01", "2027-03-01": "2027-03-01", "2026-11-30": "2026-09-01"}
    assert {day: season_began(date.fromisoformat(day)).isoformat() for day in days} == days


def test_a_window_opens_on_its_dates_and_may_end_on_the_next():
    hours = [{"from": "22:00", "to": "07:00", "dates": {"from": "14 Jun", "to": "14 Jun"}}]
    quiet = reader({}, quiet=hours)
    walls = {(14, 3): TELL, (14, 21): HOLD, (15, 5): HOLD, (15, 21): TELL}  # UTC, an hour behind the garden
    for (day, hour), outcome in walls.items():
        at = Moment(datetime(2026, 6, day, hour, 30, tzinfo=UTC), 1000.0 * day + hour)
        assert quiet.answer(visit(start=at), Around(at, clock_set=True)).outcome is outcome


def test_new():
    ever, days = (
        Box(reader({"new": "ever"})),
        ((0, ROBIN), (1, ROBIN), (400, ROBIN), (400, {"group": "bird"})),
    )
    assert outcomes(ever, *days) == [TELL, SILENT, SILENT, TELL]
    year = Box(reader({"new": "year"}))
    assert outcomes(year, (0, ROBIN), (1, ROBIN), (200, ROBIN), (201, ROBIN)) == [TELL, SILENT, SILENT, TELL]
    season = Box(reader({"new": "season"}))  # it begins on 14 June
    assert outcomes(season, (0, ROBIN), (78, ROBIN), (79, ROBIN)) == [TELL, SILENT, TELL]


def test_new_counts_what_was_not_told_but_not_what_was_less_certain():
    box = Box(reader({"new": "ever", "sure": 0.8}))
    assert outcomes(box, (0, {**ROBIN, "sure": 0.7}), (1, {**ROBIN, "sure": 0.9}), (2, ROBIN)) == [
        SILENT,
        TELL,
        SILENT,
    ]
    assert outcomes(box, (3, {"group": "cat"}), clock_set=False) == [SILENT]
    assert outcomes(box, (4, {"group": "cat"})) == [TELL]


def test_unseen_days():
    box = Box(reader({"unseen_days": 2}))
    assert outcomes(box, (0, ROBIN), (1, ROBIN), (3, ROBIN), (4.9, ROBIN)) == [TELL, SILENT, TELL, TELL]
    assert outcomes(box, (5.9, ROBIN)) == [SILENT]  # the local day after


def test_a_better_name_at_the_end_counts_as_well():
    box = Box(reader({"new": "ever"}))
    box.moment(Around(later(12), clock_set=True), settled=[visit("bird")])
    box.moment(Around(later(30), clock_set=True), ended=[visit(**ROBIN, stay_s=20, ended=True)])
    assert outcomes(box, (1, ROBIN), (1, {"group": "bird"})) == [SILENT, SILENT]


def test_at_once():
    box = Box(reader({"at_once": 2, "visitor": ["bird"]}))
    now = Around(later(12), clock_set=True)
    assert box.moment(now, settled=[visit("bird"), visit("cat", number=2)]) == []
    two = box.moment(now, settled=[visit("bird"), visit(**ROBIN, number=3, sure=0.2, group_sure=0.2)])
    assert [(name, answer.outcome) for name, answer in two] == [("visit-1", TELL)]
    over = box.moment(now, ended=[visit(**ROBIN, number=3, ended=True)])
    assert over == [("visit-3", Answer(SILENT))]


def test_visits_in_hour():
    box = Box(reader({"visits_in_hour": 3, "visitor": ["bird"]}))
    minutes = [0, 20, 59, 59.5, 100]
    assert outcomes(box, *((m / 1440, ROBIN) for m in minutes)) == [SILENT, SILENT, TELL, TELL, TELL]
    assert outcomes(box, (121 / 1440, ROBIN)) == [SILENT]


def test_still_here():
    box = Box(reader({"still_here_min": 1, "send_to": ["phone"]}))
    said = [
        box.moment(Around(later(stay_s), clock_set=True), settled=[visit("cat", stay_s=stay_s)])
        for stay_s in (12, 59, 60, 61)
    ]
    phone = frozenset({"phone"})
    assert said == [[("visit-1", Answer(TELL, "rule 1", phone))], [], [Still("visit-1", phone)], []]


def test_a_pause_holds_what_is_not_urgent_and_counts_toward_nothing():
    pause = [{"name": "holidays", "dates": [{"from": "2026-06-14", "to": "2026-06-15"}]}]
    box = Box(reader({"visitor": ["cat"], "urgent": True}, {"cooldown_min": 10_000}, pause=pause))
    cat, dog = {"group": "cat"}, {"group": "dog"}
    assert outcomes(box, (0, cat), (0, dog), (1, dog), (2, dog), (3, dog)) == [TELL, HOLD, HOLD, TELL, SILENT]


def test_mute():
    now = datetime(2026, 6, 14, 13, 3, tzinfo=UTC)  # 14:03 in the garden
    found = {
        text: muted_until(text, now, PLACE)
        for text in ("tomorrow", "14:03", "14:04", "2h", "45min", "2026-06-20")
    }
    assert {text: f"{until:%d %H:%M}" for text, until in found.items()} == {
        "tomorrow": "15 05:00", "14:03": "15 13:03", "14:04": "14 13:04", "2h": "14 15:03",
        "45min": "14 13:48", "2026-06-20": "19 23:00",
    }  # fmt: skip
    with pytest.raises(ValueError):
        muted_until("2026-07-20", now, PLACE)
    held = reader({}).answer(visit(), Around(START, clock_set=True, muted_until=later(1).wall))
    assert held == Answer(HOLD, "rule 1")
    assert reader({}).answer(visit(), Around(START, clock_set=True, muted_until=START.wall)).outcome is TELL


def test_a_sinks_own_quiet_hours_and_limits():
    sinks = [
        {"name": "phone", "quiet": [{"from": "13:00", "to": "15:00"}]},
        {"name": "post", "at_most_per_hour": 14},
    ]
    one = reader({}, {"urgent": True}, sink=sinks)
    both, post, phone = frozenset({"phone", "post"}), frozenset({"post"}), frozenset({"phone"})
    found = [one.answer(visit(number=n), Around(later(n), clock_set=True)) for n in range(15)]
    assert found[:12] == [Answer(TELL, "rule 1", both)] * 12
    assert found[12:14] == [Answer(TELL, "rule 1", post)] * 2  # what is more than twelve goes without it
    assert found[14] == Answer(HOLD, "rule 1")
    after = Around(later(3000), clock_set=True)  # 14:53, the hour of the first is not over
    assert one.answer(visit(), after) == Answer(HOLD, "rule 1")
    limited = reader(
        {}, sink=[{"name": "phone", "at_most_per_day": 1}, {"name": "post", "at_most_per_day": 2}]
    )
    told = [limited.answer(visit(), Around(later(n), clock_set=True)).sinks for n in range(3)]
    assert told == [both, post, frozenset()]
    assert phone < both


def absence(**keys: object) -> Absence:
    return Absence({"name": "no squirrel", "visitor": ["squirrel"], **keys}, PLACE, GROUP_OF)


SQUIRREL, NOBODY = Visitor("squirrel", 0.9), Message("no squirrel", "nobody")


def at(day: int, hour: float) -> Moment:
    """On a day of June 2026, by the garden's clock."""
    return later((day - 14) * DAY + hour * HOUR - 14.05 * HOUR)


def test_an_absence_by_an_hour():
    one = absence(by="10:00")
    one.watch(at(14, 6), at(17, 12))
    assert one.moment(at(14, 9.9), clock_set=True) == []
    assert one.moment(at(14, 10), clock_set=True) == [NOBODY]
    assert one.moment(at(15, 10), clock_set=True) == []  # told once
    assert one.came(Visitor("cat", 0.9), at(15, 11), clock_set=True) == []
    assert one.came(Visitor("squirrel", 0.4), at(15, 11), clock_set=True) == []
    assert one.came(SQUIRREL, at(15, 12), clock_set=True) == [Message("no squirrel", "over", "squirrel")]
    one.came(SQUIRREL, at(16, 8), clock_set=True)
    assert one.moment(at(16, 11), clock_set=True) == []  # somebody came that morning
    assert one.moment(at(17, 10.5), clock_set=False) == []
    assert one.moment(at(17, 10.6), clock_set=True) == [NOBODY]


def test_an_absence_by_an_hour_needs_an_hour_of_watching_its_days_and_its_dates():
    one = absence(
        by="10:00", days=["Sun", "Mon"], dates=[{"from": "1 Jun", "to": "14 Jun"}]
    )  # the 14th is a Sunday
    one.watch(at(14, 9.1), at(14, 12))
    assert one.moment(at(14, 10), clock_set=True) == []
    one.watch(at(15, 5), at(15, 12))
    assert one.moment(at(15, 10), clock_set=True) == []


def test_an_absence_after_hours_of_watching():
    one = absence(after_h=3, when_over=False)
    one.watch(at(14, 6), at(14, 8))
    assert one.moment(at(14, 20), clock_set=True) == []
    one.watch(at(15, 6), at(15, 7))
    assert one.moment(at(15, 7), clock_set=False) == [NOBODY]
    assert one.came(SQUIRREL, at(15, 7), clock_set=True) == []
    one.watch(at(15, 7), at(15, 9.9))
    assert one.moment(at(15, 9.9), clock_set=True) == []
    one.watch(at(15, 9.9), at(15, 10))
    assert one.moment(at(15, 10), clock_set=True) == [NOBODY]
