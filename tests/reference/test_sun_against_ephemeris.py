"""Sunrise, sunset and civil twilight against skyfield with the ephemeris DE421 (JPL), from skyfield-data.

skyfield's `find_risings` and `find_settings` take the sun's upper limb at a horizon of -34' of
refraction (U.S. Naval Observatory's convention: its middle at -0.8333 degrees), as ours does. For
twilight its `dark_twilight_day` changes to and from 3 where the middle passes -6 degrees.

Latitudes reach 65 degrees. There are 100 places and dates; with DOORYARD_LONG=1 in the environment 1,000.
"""

from __future__ import annotations

import os
import random
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

import pytest
from skyfield import almanac
from skyfield.api import Loader, wgs84
from skyfield_data import get_skyfield_data_path

from dooryard.policy.hours import spans_of
from dooryard.policy.schema import Place, Window
from dooryard.policy.sun import sun_day

# skyfield-data warns when its table of the earth's rotation is old. That table is not read here: the
# time scale is skyfield's built-in one, and a second or two of rotation doesn't matter within 60 s.
pytestmark = pytest.mark.filterwarnings("ignore:The file finals2000A.all has expired:RuntimeWarning")

NEAR = timedelta(seconds=60)
WATCH = (Window.model_validate({"from": "sunrise-30min", "to": "sunset+20min"}),)
PLACES = 1000 if os.environ.get("DOORYARD_LONG") else 100


def places() -> list[tuple[float, float, date]]:
    """Places and dates, the same at each run, spread evenly over latitudes up to 65 degrees."""
    chance = random.Random(20260614)
    return [
        (
            round(chance.uniform(-65, 65), 3),
            round(chance.uniform(-180, 180), 3),
            date(2020, 1, 1) + timedelta(days=chance.randrange(3652)),
        )
        for _ in range(PLACES - 4)
    ] + [
        (51.752, -1.258, date(2026, 6, 21)),
        (65.0, 25.0, date(2026, 6, 21)),
        (65.0, 25.0, date(2026, 12, 21)),
        (-60.0, -60.0, date(2026, 12, 21)),
    ]


@cache
def sky() -> tuple[Any, Any, Any]:
    load = Loader(get_skyfield_data_path(), expire=False, verbose=False)
    planets = load("de421.bsp")
    return load.timescale(builtin=True), planets["earth"], planets


def nearest(times: Any, moment: datetime) -> timedelta:
    return min(abs(time.utc_datetime() - moment) for time in times)


@pytest.mark.parametrize(("latitude", "longitude", "on"), places())
def test_rise_set_and_twilight(latitude: float, longitude: float, on: date):
    ours = sun_day(latitude, longitude, "UTC", on)
    scale, earth, planets = sky()
    here = wgs84.latlon(latitude, longitude)
    start, end = (scale.from_datetime(t) for t in (ours.start, ours.end))
    rises, _ = almanac.find_risings(earth + here, planets["sun"], start, end)
    sets, _ = almanac.find_settings(earth + here, planets["sun"], start, end)
    assert isinstance(ours.sunrise, datetime)
    assert isinstance(ours.sunset, datetime)
    assert nearest(rises, ours.sunrise) < NEAR
    assert nearest(sets, ours.sunset) < NEAR
    ((opens, closes),) = spans_of(WATCH, Place(latitude=latitude, longitude=longitude), on)
    assert nearest(rises, opens + timedelta(minutes=30)) < NEAR
    assert nearest(sets, closes - timedelta(minutes=20)) < NEAR
    changes, to = almanac.find_discrete(start, end, almanac.dark_twilight_day(planets, here))
    # Civil twilight is 3 of 0..4; it borders on 2 and on the day, 4.
    before = [2, *to[:-1]] if len(to) else []
    edges = [t for t, a, b in zip(changes, before, to, strict=True) if {int(a), int(b)} == {2, 3}]
    for moment in (ours.dawn, ours.dusk):
        if isinstance(moment, datetime):
            assert nearest(edges, moment) < NEAR
    assert len(edges) == sum(isinstance(moment, datetime) for moment in (ours.dawn, ours.dusk))


# An event with its offset in minutes; a window ends with the next such end after its beginning.
BETWEEN = [
    (("dusk", 0), ("sunset", 120)),
    (("dusk", -90), ("sunset", 0)),
    (("sunrise", 0), ("dawn", 60)),
    (("sunset", 0), ("sunrise", 0)),
    (("sunset", -30), ("dawn", 0)),
    (("dawn", 0), ("dusk", 0)),
]


def written(event: str, minutes: int) -> str:
    return f"{event}{minutes:+d}min" if minutes else event


@pytest.mark.parametrize(("latitude", "longitude", "on"), places())
def test_windows_between_two_events_of_the_sun(latitude: float, longitude: float, on: date):
    ours, place = sun_day(latitude, longitude, "UTC", on), Place(latitude=latitude, longitude=longitude)
    all_of = events(latitude, longitude, ours.start, ours.end + timedelta(days=2))
    for (opens, before), (closes, after) in BETWEEN:
        window = Window.model_validate({"from": written(opens, before), "to": written(closes, after)})
        begins = [t + timedelta(minutes=before) for t in all_of[opens] if t <= ours.end]
        ends = [t + timedelta(minutes=after) for t in all_of[closes]]
        # Where twilight does not end, other words of the reference hold: see the examples there.
        if not begins or len(all_of["dusk"]) < 3 or len(all_of["dawn"]) < 3:
            continue
        ((start, end),) = spans_of((window,), place, on)
        assert min(abs(t - start) for t in begins) < NEAR, window
        assert min(abs(t - end) for t in ends) < NEAR, window
        assert not [t for t in ends if start + NEAR < t < end - NEAR], window  # it is the next one


def events(latitude: float, longitude: float, start: datetime, end: datetime) -> dict[str, list[datetime]]:
    """By the ephemeris: when the sun does each between the two moments."""
    scale, earth, planets = sky()
    here = wgs84.latlon(latitude, longitude)
    span = scale.from_datetime(start), scale.from_datetime(end)
    rises, _ = almanac.find_risings(earth + here, planets["sun"], *span)
    sets, _ = almanac.find_settings(earth + here, planets["sun"], *span)
    changes, to = almanac.find_discrete(*span, almanac.dark_twilight_day(planets, here))
    edges = list(zip(changes, [2, *to[:-1]], to, strict=True)) if len(to) else []
    found = {"sunrise": rises, "sunset": sets}
    found["dawn"] = [t for t, a, b in edges if (int(a), int(b)) == (2, 3)]
    found["dusk"] = [t for t, a, b in edges if (int(a), int(b)) == (3, 2)]
    return {name: [t.utc_datetime() for t in times] for name, times in found.items()}


def test_the_places_are_spread():
    assert len(places()) == PLACES
    assert datetime(2020, 1, 1, tzinfo=UTC).date() <= min(on for _, _, on in places())
