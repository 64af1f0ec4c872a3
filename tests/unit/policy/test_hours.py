"""Watch and quiet hours: daylight saving, the far north, and clocks that are not set."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dooryard.policy.hours import (
    ever_together,
    longest,
    quiet,
    quiet_ends,
    quiet_until,
    spans_of,
    sun_times,
    time_on,
    watching,
)
from dooryard.policy.schema import Place, Policy, Window
from dooryard.policy.sun import SunAllDay
from dooryard.policy.times import parse_time

LONDON = ZoneInfo("Europe/London")
OXFORD = {"latitude": 51.752, "longitude": -1.258, "time_zone": "Europe/London"}
SECOND = timedelta(seconds=1)
TROMSO = {"latitude": 69.65, "longitude": 18.96, "time_zone": "Europe/Oslo"}
POLE = {"latitude": 90, "longitude": 0, "time_zone": "UTC"}


def policy(watch=(), quiet_hours=(), place=OXFORD) -> Policy:
    def windows(spans):
        return [{"from": opens, "to": closes} for opens, closes in spans]

    return Policy.model_validate(
        {"place": place, "hours": {"watch": windows(watch), "quiet": windows(quiet_hours)}}
    )


def local(text: str, zone: ZoneInfo = LONDON, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold)


@pytest.mark.parametrize(
    ("at", "open_"),
    [
        ("2026-06-14 04:59:59", False),
        ("2026-06-14 05:00", True),
        ("2026-06-14 20:59:59", True),
        ("2026-06-14 21:00", False),
    ],
)
def test_a_window_by_the_clock_includes_its_beginning_and_not_its_end(at, open_):
    assert watching(policy([("05:00", "21:00")]), local(at), True) is open_


@pytest.mark.parametrize(
    ("at", "is_quiet"),
    [("2026-06-14 21:29", False), ("2026-06-14 21:30", True), ("2026-06-15 06:59", True),
     ("2026-06-15 07:00", False)],
)  # fmt: skip
def test_past_midnight(at, is_quiet):
    assert quiet(policy(quiet_hours=[("21:30", "07:00")]), local(at), True) is is_quiet


def test_no_windows_mean_always_on_and_never_quiet():
    at = local("2026-06-14 03:00")
    assert watching(policy(), at, True)
    assert not quiet(policy(), at, True)


def test_while_the_clock_is_not_set_hours_do_not_decide():
    night = local("2026-06-14 03:00")
    asleep = policy([("05:00", "21:00")], [("21:30", "07:00")])
    assert not watching(asleep, night, True)
    assert quiet(asleep, night, True)
    assert watching(asleep, night, False)
    assert not quiet(asleep, night, False)


# 2026: British clocks go forward on 29 March at 01:00 UTC and back on 25 October at 01:00 UTC.
@pytest.mark.parametrize(
    ("text", "on", "expected"),
    [
        ("00:30", date(2026, 3, 29), "2026-03-29T00:30+00:00"),
        ("01:30", date(2026, 3, 29), "2026-03-29T01:00+00:00"),  # skipped: at the jump
        ("02:30", date(2026, 3, 29), "2026-03-29T01:30+00:00"),
        ("01:30", date(2026, 10, 25), "2026-10-25T00:30+00:00"),  # twice: the first
        ("02:00", date(2026, 10, 25), "2026-10-25T02:00+00:00"),
        ("24:00", date(2026, 3, 29), "2026-03-29T23:00+00:00"),
    ],
)
def test_clock_times_on_the_days_that_clocks_change(text, on, expected):
    place = policy().place
    assert time_on(place, parse_time(text), on) == datetime.fromisoformat(expected)


@pytest.mark.parametrize(("on", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-14", 24)])
def test_the_whole_day_is_as_long_as_the_day(on, hours):
    whole = policy([("00:00", "24:00")], place=OXFORD)
    start = local(f"{on} 00:00").astimezone(UTC)
    assert all(watching(whole, start + timedelta(minutes=10 * k), True) for k in range(6 * hours))
    assert time_on(whole.place, parse_time("24:00"), date.fromisoformat(on)) == start + timedelta(hours=hours)


def test_a_window_within_the_skipped_hour_does_not_open():
    skipped = policy(quiet_hours=[("01:10", "01:50")])
    day = [local("2026-03-29 00:00").astimezone(UTC) + timedelta(minutes=k) for k in range(23 * 60)]
    assert not any(quiet(skipped, at, True) for at in day)


def test_a_date_that_a_zone_skips_is_no_error():
    # Samoa went over the date line at the end of 29 December 2011 (IANA time zone data).
    samoa = policy([("05:00", "21:00")], place={**OXFORD, "time_zone": "Pacific/Apia"})
    zone = samoa.place.zone
    for hour in range(96):
        at = datetime(2011, 12, 28, 12, tzinfo=UTC) + timedelta(hours=hour)
        assert watching(samoa, at, True) is (5 <= at.astimezone(zone).hour < 21)


def on_minutes(rules: Policy, start: datetime, hours: int = 24) -> int:
    return sum(watching(rules, start + timedelta(minutes=k), True) for k in range(60 * hours))


MIDSUMMER = datetime(2026, 6, 21, 12, tzinfo=UTC)
MIDWINTER = datetime(2026, 12, 21, 12, tzinfo=UTC)
DAY = 24 * 60


@pytest.mark.parametrize(
    ("place", "start", "window", "minutes"),
    [
        (TROMSO, MIDSUMMER, ("sunrise", "sunset"), DAY),
        (TROMSO, MIDSUMMER, ("sunrise+30min", "sunset-30min"), DAY),
        (TROMSO, MIDSUMMER, ("dawn", "dusk"), DAY),
        (TROMSO, MIDSUMMER, ("sunset", "sunrise"), 0),
        (TROMSO, MIDSUMMER, ("dusk+1h", "dawn-1h"), 0),
        (TROMSO, MIDWINTER, ("sunrise", "sunset"), 0),
        (TROMSO, MIDWINTER, ("sunrise-30min", "sunset+30min"), 0),
        (TROMSO, MIDWINTER, ("sunset", "sunrise"), DAY),
        (TROMSO, MIDWINTER, ("sunset-1h", "sunrise+1h"), DAY),
        (POLE, MIDSUMMER, ("sunrise", "sunset"), DAY),
        (POLE, MIDWINTER, ("sunrise", "sunset"), 0),
        (POLE, MIDWINTER, ("dawn", "dusk"), 0),
        (POLE, MIDWINTER, ("dusk", "dawn"), DAY),
    ],
)
def test_where_the_sun_stays_up_or_down(place, start, window, minutes):
    assert on_minutes(policy([window], place=place), start) == minutes


@pytest.mark.parametrize(
    ("start", "window", "minutes"),
    [
        # Solar noon is at 11:42 and 12:47 local time, the lowest sun an hour after midnight in June.
        (MIDWINTER, ("sunrise", "21:00"), 0),
        (MIDWINTER, ("sunset", "23:00"), 678),
        (MIDWINTER, ("05:00", "sunset"), 402),
        (MIDWINTER, ("22:00", "sunrise"), 822),
        (MIDSUMMER, ("sunset", "02:00"), 0),
        (MIDSUMMER, ("sunrise", "21:00"), 1215),
        (MIDSUMMER, ("05:00", "sunset"), 1186),
        (MIDSUMMER, ("22:00", "sunrise"), 166),
    ],
)
def test_mixed_windows_where_the_sun_stays_up_or_down(start, window, minutes):
    assert on_minutes(policy([window], place=TROMSO), start) == pytest.approx(minutes, abs=3)


def test_twilight_without_sun_opens_by_twilight():
    # Tromsø has some hours of civil twilight around noon in the polar night.
    minutes = on_minutes(policy([("dawn", "dusk")], place=TROMSO), MIDWINTER)
    day = sun_times(policy(place=TROMSO).place, date(2026, 12, 22))
    assert day.sunrise is SunAllDay.DOWN
    assert minutes == pytest.approx((day.dusk - day.dawn).total_seconds() / 60, abs=2)


def test_a_sunset_after_midnight_belongs_to_the_day_before():
    # In late July 2026 the sun sets after midnight in Tromsø, by its summer time.
    rules = policy([("sunrise", "sunset")], place=TROMSO)
    day = sun_times(rules.place, date(2026, 7, 26))
    assert day.sunset.astimezone(rules.place.zone).date() == date(2026, 7, 27)
    assert watching(rules, day.sunset - timedelta(seconds=1), True)
    assert not watching(rules, day.sunset, True)


@pytest.mark.parametrize(
    ("window", "at", "open_"),
    [
        # An end by the sun after a beginning by the clock, and the other way round.
        (("22:00", "sunrise"), "2026-06-14 03:00", True),
        (("22:00", "sunrise"), "2026-06-14 05:30", False),
        (("05:00", "sunrise"), "2026-06-14 05:30", False),  # the sun is up: not open that day
        (("05:00", "sunrise"), "2026-12-14 05:30", True),
        (("19:00", "sunset"), "2026-12-14 20:00", False),  # the sun is down: not open that day
        (("19:00", "sunset"), "2026-06-14 20:00", True),
        (("sunset", "23:00"), "2026-06-14 22:30", True),
        (("sunset", "02:00"), "2026-06-15 01:30", True),
        (("sunrise", "09:00"), "2026-06-14 08:59", True),
        (("sunrise", "01:00"), "2026-06-15 00:30", True),
        (("sunrise", "01:00"), "2026-06-15 01:30", False),
        (("sunrise+6h", "sunset-6h"), "2026-12-14 12:00", False),  # the day is too short for it
        (("sunrise+6h", "sunset-6h"), "2026-06-14 13:00", True),
    ],
)
def test_mixed_windows(window, at, open_):
    assert watching(policy([window]), local(at), True) is open_


def test_quiet_until():
    rules = policy(quiet_hours=[("21:30", "07:00")])
    assert quiet_until(rules, local("2026-06-14 23:00")) == local("2026-06-15 07:00")
    assert quiet_until(rules, local("2026-06-14 12:00")) is None
    night = policy(quiet_hours=[("sunset", "sunrise")], place=TROMSO)
    assert quiet(night, MIDWINTER, True)
    assert quiet_until(night, MIDWINTER) is None  # for weeks


def test_no_coordinates_no_sun():
    assert sun_times(Policy().place, date(2026, 6, 14)) is None


def on_days(days, opens="22:00", closes="06:00", place=OXFORD, key="watch") -> Policy:
    window = {"from": opens, "to": closes, "days": days}
    return Policy.model_validate({"place": place, "hours": {key: window}})


@pytest.mark.parametrize(
    ("at", "is_on"),
    [
        ("2026-06-12 23:00", False),  # Friday
        ("2026-06-13 05:59", False),
        ("2026-06-13 22:00", True),  # Saturday
        ("2026-06-14 05:59", True),  # Sunday morning, of Saturday's window
        ("2026-06-14 06:00", False),
        ("2026-06-14 23:00", True),
        ("2026-06-15 05:59", True),  # Monday morning, of Sunday's window
        ("2026-06-15 22:30", False),
    ],
)
def test_a_window_has_the_day_of_the_week_on_which_it_opens(at, is_on):
    assert watching(on_days(["Sat", "Sun"]), local(at), True) is is_on
    assert quiet(on_days(["Sun", "Sat"], key="quiet"), local(at), True) is is_on


def test_the_day_of_the_week_is_that_of_the_place():
    # 2026-06-13 is a Saturday; at Kiritimati (14 h before UTC) it begins on Friday at 10:00 UTC.
    far = {"time_zone": "Pacific/Kiritimati"}
    rules = on_days("Sat", "00:00", "24:00", far)
    first, last = datetime(2026, 6, 12, 10, tzinfo=UTC), datetime(2026, 6, 13, 10, tzinfo=UTC)
    for wall, on in ((first - SECOND, False), (first, True), (last - SECOND, True), (last, False)):
        assert watching(rules, wall, True) is on


def test_whole_days_that_follow_one_another_are_one_span():
    rules = on_days(["Sat", "Sun"], "00:00", "24:00", key="quiet")
    assert quiet_until(rules, local("2026-06-14 00:00")) == local("2026-06-15 00:00")
    assert quiet_until(rules, local("2026-06-14 12:00")) == local("2026-06-15 00:00")


def test_the_end_of_a_stretch_is_the_same_wherever_in_it_one_asks() -> None:
    rules = on_days(["Thu", "Fri", "Sat", "Sun"], "00:00", "24:00", key="quiet")
    for asked in ("2026-06-11 00:00", "2026-06-12 12:00", "2026-06-14 23:59"):
        assert quiet_ends(rules, local(asked)) == local("2026-06-15 00:00")
    every_day = on_days(["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], "00:00", "24:00", key="quiet")
    assert quiet_ends(every_day, local("2026-06-11 00:00")) is None


@pytest.mark.parametrize(
    ("opens", "closes", "ends"),  # at Oxford on 20 June 2026, UTC; to the minute, worked out by hand
    [
        ("dusk", "sunset+2h", "2026-06-20T22:27"),
        ("dusk-90min", "sunset", "2026-06-20T20:27"),
        ("sunrise", "dawn+1h", "2026-06-20T03:57"),
        ("dusk", "sunset", "2026-06-21T20:27"),  # the next one
        ("sunset", "dusk", "2026-06-20T21:15"),
    ],
)
def test_a_window_of_one_half_of_the_day_ends_at_the_next_such_end_by_the_times(opens, closes, ends):
    rules = policy(quiet_hours=[(opens, closes)])
    ((_start, end),) = spans_of(rules.hours.quiet, rules.place, date(2026, 6, 20))
    assert f"{end:%Y-%m-%dT%H:%M}" == ends


def test_a_night_shorter_than_the_offsets_makes_it_always_open_and_no_window_longer_than_a_day():
    far = OXFORD | {"latitude": 65.6}
    rules = policy([("sunrise-30min", "sunset+30min")], place=far)
    spans = spans_of(rules.hours.watch, rules.place, date(2026, 6, 19))
    assert all(end - start < timedelta(hours=24, minutes=15) for start, end in spans)
    assert all(
        watching(rules, local("2026-06-19 00:00") + k * timedelta(minutes=5), True) for k in range(288)
    )


def windows_of(place: dict[str, object], *written: dict[str, str]) -> tuple[Place, tuple[Window, ...]]:
    policy = Policy.model_validate({"place": place, "hours": {"watch": list(written)}})
    return policy.place, policy.hours.watch


@pytest.mark.parametrize(
    ("opens", "closes", "next_day"),
    [
        ("sunrise", "03:00", True),
        ("sunrise", "03:01", False),
        ("sunset", "12:00", True),
        ("sunset", "12:01", False),
        ("12:00", "sunrise", True),
        ("11:59", "sunrise", False),
        ("12:00", "sunset", False),
    ],
)
def test_which_clock_times_wait_for_the_next_day(opens: str, closes: str, next_day: bool) -> None:
    """In December, when the sun rises after 08:00 and sets before 16:00: an end before it leaves nothing."""
    on = date(2026, 12, 1)
    place, windows = windows_of(OXFORD, {"from": opens, "to": closes})
    [*ends] = [end.astimezone(LONDON).date() for _, end in spans_of(windows, place, on)]
    assert (ends == [date(2026, 12, 2)]) is next_day


def test_a_place_needs_both_of_its_coordinates_for_the_sun() -> None:
    for left_out in ("latitude", "longitude"):
        half = Place.model_validate({key: value for key, value in OXFORD.items() if key != left_out})
        assert sun_times(half, date(2026, 6, 1)) is None


def test_the_longest_a_window_lasts_in_a_year_and_when() -> None:
    place, (day, night) = windows_of(
        OXFORD, {"from": "sunrise", "to": "23:00"}, {"from": "sunset", "to": "06:00"}
    )
    lasts, on = longest(day, place)
    assert lasts == pytest.approx(timedelta(hours=18, minutes=15), abs=timedelta(minutes=5))
    assert on.month in (6, 7)
    lasts, on = longest(night, place)
    assert lasts == pytest.approx(timedelta(hours=14, minutes=5), abs=timedelta(minutes=5))
    assert on.month == 12


def test_windows_meet_where_one_ends_as_the_other_begins() -> None:
    def together(a: dict[str, str], b: dict[str, str]) -> bool:
        place, (first, second) = windows_of(OXFORD, a, b)
        both = ever_together((first,), (second,), place)
        assert ever_together((second,), (first,), place) is both
        return both

    morning = {"from": "06:00", "to": "09:00"}
    assert together(morning, {"from": "09:00", "to": "10:00"})
    assert not together(morning, {"from": "09:01", "to": "10:00"})
    assert together(morning, {"from": "07:00", "to": "08:00"})
    assert together({"from": "sunrise", "to": "12:00"}, {"from": "22:00", "to": "04:50"})  # in June only
    assert not together({"from": "sunrise", "to": "12:00"}, {"from": "22:00", "to": "04:40"})
