"""The sun against worked examples in print.

Sources:

* I. Reda and A. Andreas, "Solar position algorithm for solar radiation applications", Solar Energy
  76 (2004) and NREL/TP-560-34302: the example of 17 October 2003, 12:30:30 at UTC-7, latitude
  39.742476, longitude -105.1786. Its sunrise and sunset are those of the date in UTC: 6:12:43 and
  17:20:19 local time, the latter on the evening of the 16th. Its zenith angle of 50.11162 degrees is
  topocentric, with refraction at 820 hPa and 11 degrees Celsius, at 1830.14 m.
* J. Meeus, "Astronomical Algorithms" (1991), example 25.a: 13 October 1992, 0h dynamical time:
  apparent right ascension 198.38083, declination -7.78507 degrees by the low-precision method, which
  is good to 0.01 degree.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from astral.julian import julianday, julianday_to_juliancentury
from astral.sun import sun_declination, sun_rt_ascension

from dooryard.policy.sun import elevation_deg, sun_day

LATITUDE, LONGITUDE, ZONE = 39.742476, -105.1786, "America/Denver"
NEAR = timedelta(seconds=60)


def test_sunrise_of_the_nrel_example():
    sunrise = sun_day(LATITUDE, LONGITUDE, ZONE, date(2003, 10, 17)).sunrise
    assert abs(sunrise - datetime(2003, 10, 17, 13, 12, 43, tzinfo=UTC)) < NEAR


def test_sunset_of_the_nrel_example():
    sunset = sun_day(LATITUDE, LONGITUDE, ZONE, date(2003, 10, 16)).sunset
    assert abs(sunset - datetime(2003, 10, 17, 0, 20, 19, tzinfo=UTC)) < NEAR


def test_zenith_of_the_nrel_example():
    at = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
    zenith = 90 - elevation_deg(LATITUDE, LONGITUDE, at)
    # Refraction and parallax, which ours leaves out, are together below 0.02 degrees at this height.
    assert zenith == pytest.approx(50.11162, abs=0.03)


def test_position_of_the_meeus_example():
    century = julianday_to_juliancentury(julianday(datetime(1992, 10, 13, tzinfo=UTC)))
    assert sun_rt_ascension(century) % 360 == pytest.approx(198.38083, abs=0.01)
    assert sun_declination(century) == pytest.approx(-7.78507, abs=0.01)
