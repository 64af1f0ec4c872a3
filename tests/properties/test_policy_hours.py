"""Hours at every change of the clocks, in every zone, at every latitude."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo, available_timezones

from hypothesis import example, given, settings
from hypothesis import strategies as st

from dooryard.policy.hours import quiet, sun_times, time_on, watching
from dooryard.policy.schema import Place, Policy
from dooryard.policy.sun import HORIZON_DEG, elevation_deg
from dooryard.policy.times import Sun, TimeOfDay, parse_time

LATITUDES = st.one_of(
    st.floats(-90, 90), st.sampled_from([0.0, 60.0, 66.6, 67.4, 78.2, 89.99, 90.0, -66.6, -90.0])
)
LONGITUDES = st.one_of(st.floats(-180, 180), st.sampled_from([-180.0, 180.0, 0.0]))
ZONES = st.sampled_from(sorted(available_timezones()))
DATES = st.dates(date(1990, 1, 1), date(2037, 12, 31))
MOMENTS = st.integers(0, 48 * 365 * 86_400).map(
    lambda s: datetime(1990, 1, 1, tzinfo=UTC) + timedelta(seconds=s)
)
CLOCK = st.integers(0, 1440).map(TimeOfDay)
BY_SUN = st.builds(TimeOfDay, st.integers(-360, 360), st.sampled_from(list(Sun)))
TIMES = st.one_of(CLOCK, BY_SUN).map(str)
WINDOW = st.tuples(TIMES, TIMES).filter(lambda w: w[0] != w[1] and w != ("24:00", "00:00"))


def policy(windows, latitude=51.752, longitude=-1.258, zone="Europe/London", key="watch") -> Policy:
    place = {"latitude": latitude, "longitude": longitude, "time_zone": zone}
    tables = [{"from": opens, "to": closes} for opens, closes in windows]
    return Policy.model_validate({"place": place, "hours": {key: tables}})


@cache
def days_of_change(zone: str, year: int) -> tuple[date, ...]:
    """The local dates in `year` on which the zone's offset from UTC is not the same all day."""
    info = ZoneInfo(zone)
    start = datetime(year, 1, 1, tzinfo=UTC)
    offsets = [(start + timedelta(hours=h)).astimezone(info) for h in range(0, 24 * 366, 6)]
    return tuple(sorted({b.date() for a, b in pairwise(offsets) if a.utcoffset() != b.utcoffset()}))


@settings(max_examples=150, deadline=None)
@given(
    st.data(),
    ZONES,
    st.integers(1995, 2036),
    # Clocks mostly change in the small hours, so edges are sought there.
    st.lists(st.one_of(st.integers(0, 240), st.integers(0, 1439)), min_size=2, max_size=5, unique=True),
)
def test_windows_that_meet_tile_the_day_that_the_clocks_change(data, zone, year, edges):
    changes = days_of_change(zone, year)
    on = data.draw(st.sampled_from(changes)) if changes else date(year, 6, 14)
    edges = sorted(edges)
    pairs = [
        (str(TimeOfDay(a)), str(TimeOfDay(b))) for a, b in zip(edges, edges[1:] + edges[:1], strict=True)
    ]
    tiles = [policy([pair], zone=zone) for pair in pairs]
    start = datetime(on.year, on.month, on.day, tzinfo=ZoneInfo(zone)).astimezone(UTC) - timedelta(hours=2)
    for minute in range(0, 60 * 29, 7):
        at = start + timedelta(minutes=minute)
        assert sum(watching(tile, at, True) for tile in tiles) == 1
    # Exactly at the edges too, where a gap of a second would show.
    for edge in edges:
        at = time_on(tiles[0].place, TimeOfDay(edge), on)
        for second in (-1, 0, 1):
            assert sum(watching(t, at + timedelta(seconds=second), True) for t in tiles) == 1


@settings(max_examples=300, deadline=None)
@given(st.lists(WINDOW, min_size=1, max_size=3), LATITUDES, LONGITUDES, ZONES, MOMENTS)
def test_never_an_exception_anywhere_at_any_time(windows, latitude, longitude, zone, at):
    for key in ("watch", "quiet"):
        rules = policy(windows, latitude, longitude, zone, key)
        is_open = (watching if key == "watch" else quiet)(rules, at, True)
        assert is_open in (True, False)


@settings(max_examples=300, deadline=None)
@given(LATITUDES, LONGITUDES, ZONES, MOMENTS)
def test_sunrise_to_sunset_is_while_the_sun_is_up(latitude, longitude, zone, at):
    height = elevation_deg(latitude, longitude, at)
    # Within half a degree of a pole the sun climbs past noon for days; see `sun_day`.
    if abs(height - HORIZON_DEG) < (0.02 if abs(latitude) < 89.5 else 0.6):
        return
    up = height > HORIZON_DEG
    assert watching(policy([("sunrise", "sunset")], latitude, longitude, zone), at, True) is up
    assert watching(policy([("sunset", "sunrise")], latitude, longitude, zone), at, True) is not up


# Half a day from the zone's own longitudes and on a change of its clocks, two dates share a noon.
@example(0.0, 180.0, "Africa/El_Aaiun", date(2019, 6, 8))
@example(0.0, 180.0, "Africa/Abidjan", date(2000, 12, 24))
@settings(max_examples=150, deadline=None)
@given(LATITUDES, LONGITUDES, ZONES, DATES)
def test_days_of_the_sun_follow_one_another(latitude, longitude, zone, on):
    place = Place(latitude=latitude, longitude=longitude, time_zone=zone)
    today, tomorrow = (sun_times(place, on + timedelta(days=k)) for k in (0, 1))
    assert today.start <= today.noon <= today.end == tomorrow.start
    noons = [
        datetime.combine(on + timedelta(days=k), time(12), ZoneInfo(zone)).astimezone(UTC) for k in (-1, 0, 1)
    ]
    local_noon = noons[1]
    steady = all(b - a == timedelta(days=1) for a, b in pairwise(noons))
    # Else two dates may have one noon; half a day away the sun itself changes which of two is the nearer.
    if steady and abs(today.noon - local_noon) < timedelta(hours=11, minutes=30):
        assert today.start < today.noon < today.end
    assert abs(today.noon - local_noon) <= timedelta(hours=12, minutes=1)
    order = [t for t in (today.start, today.dawn, today.sunrise, today.noon) if isinstance(t, datetime)]
    assert order == sorted(order)
    order = [t for t in (today.noon, today.sunset, today.dusk, today.end) if isinstance(t, datetime)]
    assert order == sorted(order)


@given(st.one_of(CLOCK, BY_SUN))
def test_times_are_written_as_they_are_read(at):
    assert parse_time(str(at)) == at


WEEK_OF = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def on_days(window, days, zone, latitude=51.752, longitude=-1.258) -> Policy:
    place = {"latitude": latitude, "longitude": longitude, "time_zone": zone}
    table = {"from": window[0], "to": window[1], "days": days}
    return Policy.model_validate({"place": place, "hours": {"watch": table}})


@settings(max_examples=100, deadline=None)
@given(st.data(), ZONES, st.integers(1995, 2036), st.one_of(st.integers(0, 240), st.integers(0, 1439)))
def test_days_of_the_week_tile_the_week_of_a_change_of_the_clocks(data, zone, year, edge):
    changes = days_of_change(zone, year)
    on = data.draw(st.sampled_from(changes)) if changes else date(year, 6, 14)
    at = str(TimeOfDay(edge))
    after = str(TimeOfDay(edge + 1))
    # From one minute after `edge` to it on the next day, and that minute: each day's two windows.
    tiles = [on_days(pair, day, zone) for day in WEEK_OF for pair in ((after, at), (at, after))]
    start = datetime(on.year, on.month, on.day, tzinfo=ZoneInfo(zone)).astimezone(UTC) - timedelta(hours=26)
    for minute in range(0, 60 * 78, 37):
        moment = start + timedelta(minutes=minute)
        assert sum(watching(tile, moment, True) for tile in tiles) == 1
    for k in (-1, 0, 1):
        moment = time_on(tiles[0].place, TimeOfDay(edge), on + timedelta(days=k))
        for second in (-1, 0, 1):
            assert sum(watching(t, moment + timedelta(seconds=second), True) for t in tiles) == 1


@settings(max_examples=200, deadline=None)
@given(WINDOW, st.sets(st.sampled_from(WEEK_OF), min_size=1), LATITUDES, LONGITUDES, ZONES, MOMENTS)
def test_days_and_the_others_together_are_every_day(window, days, latitude, longitude, zone, at):
    others = [day for day in WEEK_OF if day not in days]
    parts = [on_days(window, list(days), zone, latitude, longitude)]
    parts += [on_days(window, others, zone, latitude, longitude)] if others else []
    whole = policy([window], latitude, longitude, zone)
    assert any(watching(part, at, True) for part in parts) is watching(whole, at, True)


@settings(max_examples=200, deadline=None)
@given(st.sets(st.sampled_from(WEEK_OF), min_size=1), ZONES, MOMENTS)
def test_whole_days_are_open_on_those_days_by_the_local_calendar(days, zone, at):
    rules = on_days(("00:00", "24:00"), list(days), zone)
    # The standard library's calendar says which day it is; its names are those of the C locale.
    assert watching(rules, at, True) is (f"{at.astimezone(ZoneInfo(zone)):%a}" in days)
