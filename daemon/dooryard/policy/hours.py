"""Watch hours and quiet hours at a moment. Pure.

A window belongs to the local date on which it opens; that date's day of the week must be one of its
days, and it must be within its dates. These rules make it right everywhere:

* A clock time that the change to summer time skips comes at the moment of the jump; one that comes
  twice means its first coming. So windows that meet at a clock time still meet there.
* Where the sun stays up, a window from sunrise or dawn opens with the day's lowest sun, and one from
  sunset or dusk doesn't open. Where it stays down, the first doesn't open, and the second opens with
  the day's highest sun. An end that doesn't come falls on the lowest sun where the sun stays up, on
  the highest where it stays down. Offsets don't count there.
* Between two events of one half of the day (dusk to sunset+2h, sunrise to dawn+1h) a window ends at the
  first such end after its beginning, by their times. One from a rise to a set, or from a set to a rise,
  lasts until the next beginning where the offsets make it longer than a day, as in the far north.
* While the clock is not set, hours don't decide: the camera watches, so that no visit is missed, and
  it is not quiet, for an alert at a wrong hour can be forgiven and one that is held for a summary
  whose time can't come is lost.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from dooryard.policy.schema import Place, Policy, Window
from dooryard.policy.sun import SunAllDay, SunDay, sun_day
from dooryard.policy.times import Sun, TimeOfDay
from dooryard.policy.window import without_dates

Span = tuple[datetime, datetime]  # from, until (not included); UTC

_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)
_LOOK_AHEAD_DAYS = 8
_YEAR_START = date(2026, 1, 1)
_FORTNIGHT = 15  # days; the longest and the shortest day of the year are within one of a date that is tried
_NOON_MIN = 12 * 60
_SMALL_HOURS_MIN = 3 * 60  # "sunrise to 01:00" means the night after


def watching(policy: Policy, wall: datetime, clock_set: bool) -> bool:
    """Whether the camera is to be on. `wall` is aware."""
    if not clock_set or not policy.hours.watch:
        return True
    return _open_until(policy.hours.watch, policy.place, wall) is not None


def quiet(policy: Policy, wall: datetime, clock_set: bool) -> bool:
    """Whether alerts are to wait. `wall` is aware."""
    return clock_set and _open_until(policy.hours.quiet, policy.place, wall) is not None


def is_open(windows: tuple[Window, ...], place: Place, wall: datetime) -> bool:
    """Whether any of `windows` is open. `wall` is aware."""
    return _open_until(windows, place, wall) is not None


def quiet_until(policy: Policy, wall: datetime) -> datetime | None:
    """When the quiet hours that hold at `wall` end (UTC); None if none hold, or for days to come."""
    end = _open_until(policy.hours.quiet, policy.place, wall)
    return end if end is not None and end - wall <= _DAY else None


def quiet_ends(policy: Policy, wall: datetime) -> datetime | None:
    """When the stretch of quiet hours that holds at `wall` ends (UTC), however far off; None: not foreseen.

    It is the same moment wherever in the stretch `wall` is.
    """
    for _ in range(_LOOK_AHEAD_DAYS):  # each turn reaches three days on; hours repeat after a week
        end = _open_until(policy.hours.quiet, policy.place, wall)
        if end is None:
            return wall
        wall = end
    return None


def sun_times(place: Place, on: date) -> SunDay | None:
    """The sun on a local date; None where the place has no coordinates."""
    if place.latitude is None or place.longitude is None:
        return None
    return sun_day(place.latitude, place.longitude, place.time_zone, on)


def time_on(place: Place, at: TimeOfDay, on: date) -> datetime:
    """The moment (UTC) that `at` means on the local date `on`; if the sun doesn't do it, see above."""
    return _close(place, at, on)


def ever_opens(window: Window, place: Place) -> bool:
    """Whether the window opens on any date of a year (the sun's year hardly differs from the next).

    In another year that date is on another day of the week, so days of the week don't count.
    """
    days = (_YEAR_START + k * _DAY for k in range(0, 366, 5))
    return any(next(_span(window, place, on), None) for on in days)


def longest(window: Window, place: Place) -> tuple[timedelta, date]:
    """How long the window lasts at most in a year, and a date on which it opens for so long."""
    days = (_YEAR_START + k * _DAY for k in range(0, 366, _FORTNIGHT))
    lasts = [(end - start, on) for on in days for start, end in _span(window, place, on)]
    return max(lasts, key=lambda each: each[0], default=(timedelta(), _YEAR_START))


def once_ended_otherwise(window: Window, place: Place) -> tuple[date, Span | None, Span | None] | None:
    """Where a window of one half of the day ended on another day by the order of the events' names alone.

    So it was once. Returns the first such date of a year, the span now, and the span then.
    """
    opens, closes = window.opens, window.closes
    if opens.sun is None or closes.sun is None or opens.sun.rising != closes.sun.rising:
        return None
    order = tuple(Sun)
    names_later = (order.index(closes.sun), closes.minutes) > (order.index(opens.sun), opens.minutes)
    for on in (_YEAR_START + k * _DAY for k in range(0, 366, _FORTNIGHT)):
        start = _open(place, opens, on)
        if start is None:
            continue
        then_end = _close(place, closes, on if names_later else on + _DAY)
        now = next(_span(window, place, on), None)
        then = (start, then_end) if then_end > start else None
        if now != then:
            return on, now, then
    return None


def ever_together(a: tuple[Window, ...], b: tuple[Window, ...], place: Place) -> bool:
    """Whether any of `a` and any of `b` are open at once, or meet, at any time of a year.

    The year is 2026: in another one a day of the week comes up to three days off in the sun's year. Dates
    don't count, for some are of other years.
    """
    a, b = without_dates(a), without_dates(b)
    days = (_YEAR_START + k * _DAY for k in range(0, 366, 5))  # each with three days on either side
    return any(
        x[0] <= y[1] and y[0] <= x[1]
        for on in days
        for x in spans_around(a, place, on)
        for y in spans_around(b, place, on)
    )


def spans_of(windows: tuple[Window, ...], place: Place, on: date) -> tuple[Span, ...]:
    """When those of `windows` are open that open on the local date `on`; joined and in order."""
    return tuple(_joined(list(_spans(windows, place, on))))


@lru_cache(maxsize=64)
def spans_around(windows: tuple[Window, ...], place: Place, on: date) -> tuple[Span, ...]:
    """When any of `windows` is open, joined and in order: whole for the date `on` in UTC."""
    near = (on + k * _DAY for k in range(-3, 4))  # zones reach 14 h from UTC, windows 2 days
    return tuple(_joined([span for day in near for span in _spans(windows, place, day)]))


def _open_until(windows: tuple[Window, ...], place: Place, wall: datetime) -> datetime | None:
    """The end of the span that `wall` is in, as far as it is known; None outside all windows."""
    if not windows:
        return None
    on = wall.date() if wall.tzinfo is UTC else wall.astimezone(UTC).date()
    for start, end in spans_around(windows, place, on):
        if start <= wall < end:
            return end
    return None


def _joined(spans: Sequence[Span]) -> Iterator[Span]:
    """`spans` in order, those that overlap or touch made one."""
    current: Span | None = None
    for span in sorted(spans):
        if current is None:
            current = span
        elif span[0] <= current[1]:
            current = (current[0], max(current[1], span[1]))
        else:
            yield current
            current = span
    if current is not None:
        yield current


def _spans(windows: tuple[Window, ...], place: Place, on: date) -> Iterator[Span]:
    """When those of `windows` are open that open on the local date `on`."""
    return (span for w in windows if w.begins_on(on) for span in _span(w, place, on))


def _span(window: Window, place: Place, on: date) -> Iterator[Span]:
    """When the window is open that belongs to the local date `on`, whatever its days: one span or none."""
    start = _open(place, window.opens, on)
    if start is None:
        return
    end = _end(window, place, on, start)
    if end - start > _DAY and window.by_sun_only:
        end = _before_it_begins_again(window, place, on, start, end)
    if start < end:
        yield start, end


def _end(window: Window, place: Place, on: date, start: datetime) -> datetime:
    """When a window that opened on `on` at `start` ends; not after `start` where nothing is left of it."""
    if _within_one_half(window):
        ends = (_close(place, window.closes, on + k * _DAY) for k in range(3))
        return next(end for end in ends if end > start)
    return _close(place, window.closes, on + _DAY if _ends_next_day(window) else on)


def _before_it_begins_again(
    window: Window, place: Place, on: date, start: datetime, end: datetime
) -> datetime:
    """`end`, or the next beginning if that is earlier: the windows of two days then only meet."""
    again = _open(place, window.opens, on + _DAY)
    return min(end, again if again is not None and again > start else start + _DAY)


def _within_one_half(window: Window) -> bool:
    """Whether both ends are of the sun's rise, or both of its set."""
    opens, closes = window.opens.sun, window.closes.sun
    return opens is not None and closes is not None and opens.rising == closes.rising


def _ends_next_day(window: Window) -> bool:
    """Whether the end is on the date after the beginning, whatever the date.

    By the clock alone an end that isn't later in the day is on the next. From a rise of the sun to a set
    it is on the date itself, from a set to a rise on the next, whatever the offsets. From
    noon on, a clock time waits for the sunrise of the next date; it never waits for the next sunset.
    After a sunset, a clock time up to noon is on the next date; after a sunrise, one up to 03:00 is.
    A window whose end then comes before its beginning doesn't open on that date.
    """
    opens, closes = window.opens, window.closes
    if opens.sun and closes.sun:  # of different halves of the day; see `_within_one_half`
        return closes.sun.rising
    if closes.sun:
        return closes.sun.rising and opens.minutes >= _NOON_MIN
    if opens.sun:
        return closes.minutes <= (_SMALL_HOURS_MIN if opens.sun.rising else _NOON_MIN)
    return closes.minutes <= opens.minutes


def _open(place: Place, at: TimeOfDay, on: date) -> datetime | None:
    """When a window that begins at `at` opens on `on`; None: it doesn't."""
    if at.sun is None:
        return _clock_time(place.zone, on, at.minutes)
    event = _sun(place, on).when(at.sun)
    if event == (SunAllDay.DOWN if at.sun.rising else SunAllDay.UP):
        return None
    return _close(place, at, on)


def _close(place: Place, at: TimeOfDay, on: date) -> datetime:
    if at.sun is None:
        return _clock_time(place.zone, on, at.minutes)
    day = _sun(place, on)
    when = day.when(at.sun)
    if isinstance(when, datetime):
        return when + timedelta(minutes=at.minutes)
    if when is SunAllDay.DOWN:
        return day.noon
    return day.start if at.sun.rising else day.end


def _sun(place: Place, on: date) -> SunDay:
    day = sun_times(place, on)
    assert day is not None  # a policy with times by the sun has coordinates (schema)
    return day


def _clock_time(zone: ZoneInfo, on: date, minutes: int) -> datetime:
    """The moment (UTC) at which local clocks show `minutes` after midnight on `on`, for the first time."""
    naive = datetime.combine(on, time()) + timedelta(minutes=minutes)
    after = naive.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if after.astimezone(zone).replace(tzinfo=None) == naive:
        return after
    before = naive.replace(tzinfo=zone, fold=1).astimezone(UTC)  # skipped: the jump is in between
    old = before.astimezone(zone).utcoffset()
    while after - before > _SECOND:
        middle = before + (after - before) // 2
        if middle.astimezone(zone).utcoffset() == old:
            before = middle
        else:
            after = middle
    return after.replace(microsecond=0)
