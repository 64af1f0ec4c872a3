"""When the sun rises and sets on a local date, at any latitude. Pure; the astronomy is astral's.

astral gives the sun's elevation at a moment; its own sunrise and sunset raise ValueError where there
is none, and near the polar circles go by the date in UTC, so a sunset can come before the sunrise
of its day. Here a day runs from one lowest sun to the next, around the highest sun nearest to the
local noon, and the crossing is sought by halving: within it the sun only climbs, then only sinks.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dooryard.policy.times import Sun

if TYPE_CHECKING:
    from astral import Observer

HORIZON_DEG = -0.8333  # 34' of refraction and 16' of radius: the usual convention for rise and set
CIVIL_DEG = -6.0  # the middle of the sun at the end of civil twilight
_SECOND = timedelta(seconds=1)
_DAY = timedelta(days=1)


class SunAllDay(StrEnum):
    """Why something doesn't happen on a day."""

    UP = "stays above"
    DOWN = "stays below"


@dataclass(frozen=True, slots=True)
class SunDay:
    """What the sun does on one local date. All times in UTC, to the second."""

    start: datetime  # the lowest sun before
    dawn: datetime | SunAllDay
    sunrise: datetime | SunAllDay
    noon: datetime  # the highest sun
    sunset: datetime | SunAllDay
    dusk: datetime | SunAllDay
    end: datetime  # the lowest sun after: the next day's start

    def when(self, sun: Sun) -> datetime | SunAllDay:
        events = {
            Sun.DAWN: self.dawn,
            Sun.SUNRISE: self.sunrise,
            Sun.SUNSET: self.sunset,
            Sun.DUSK: self.dusk,
        }
        return events[sun]


def elevation_deg(latitude: float, longitude: float, wall: datetime) -> float:
    """Elevation of the sun's middle above the level horizon, without refraction, in degrees.

    Latitudes beyond 89.8 count as 89.8 (astral's bound).
    """
    return _elevation(_observer(latitude, longitude), wall)


@lru_cache(maxsize=64)
def sun_day(latitude: float, longitude: float, time_zone: str, on: date) -> SunDay:
    """The sun on the local date `on`.

    Within half a degree of a pole, the sun may climb past noon or sink before it; its one rise and one
    set of the year are then told up to half a day wrong. Where the zone's time is half a day from the
    sun's and the clocks change, or where a zone leaves out a date, two dates may share a noon.
    """
    observer = _observer(latitude, longitude)
    zone = ZoneInfo(time_zone)
    before, noon, after = (_highest(observer, zone, on + k * _DAY) for k in (-1, 0, 1))
    start, end = _middle(before, noon), _middle(noon, after)
    return SunDay(
        start=start,
        dawn=_crossing(observer, start, noon, CIVIL_DEG),
        sunrise=_crossing(observer, start, noon, HORIZON_DEG),
        noon=noon,
        sunset=_crossing(observer, end, noon, HORIZON_DEG),
        dusk=_crossing(observer, end, noon, CIVIL_DEG),
        end=end,
    )


def _observer(latitude: float, longitude: float) -> Observer:
    from astral import Observer

    return Observer(latitude, longitude, 0.0)


def _elevation(observer: Observer, wall: datetime) -> float:
    from astral.sun import elevation

    return elevation(observer, wall, with_refraction=False)


def _highest(observer: Observer, zone: ZoneInfo, on: date) -> datetime:
    """The highest sun nearest to 12:00 local time on `on`, which may be another date in UTC."""
    from astral.sun import noon

    local_noon = datetime.combine(on, time(12), zone).astimezone(UTC)
    near = [noon(observer, local_noon.date() + k * _DAY) for k in (-1, 0, 1)]
    return min(near, key=lambda moment: abs(moment - local_noon))


def _middle(a: datetime, b: datetime) -> datetime:
    return a + timedelta(seconds=(b - a) // _SECOND // 2)


def _crossing(observer: Observer, low: datetime, high: datetime, level_deg: float) -> datetime | SunAllDay:
    """When the sun stands at `level_deg` between its lowest and its highest; either may be first."""
    if _elevation(observer, low) > level_deg:
        return SunAllDay.UP
    if _elevation(observer, high) <= level_deg:
        return SunAllDay.DOWN
    while abs(high - low) > _SECOND:
        middle = _middle(low, high)
        if _elevation(observer, middle) > level_deg:
            high = middle
        else:
            low = middle
    return high
