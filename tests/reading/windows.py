"""When windows are open, by the owner's words (policies/README.md). Part of the second reading."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from dooryard.policy.schema import Place, Window
from dooryard.policy.sun import sun_day
from dooryard.policy.times import TimeOfDay
from reading.dates import Dates, any_holds, ranges


@dataclass(frozen=True, slots=True)
class Opening:
    """A window with the dates on which it may open; none: on any."""

    window: Window
    dates: tuple[Dates, ...] = ()

    def on(self, day: date) -> bool:
        return day.strftime("%a") in self.window.days and (not self.dates or any_holds(self.dates, day))


def openings(tables: Sequence[Mapping[str, Any]]) -> tuple[Opening, ...]:
    """The windows of a policy, from its TOML."""
    return tuple(
        Opening(
            Window.model_validate({key: value for key, value in table.items() if key != "dates"}),
            ranges(table.get("dates", ())),
        )
        for table in tables
    )


def within(windows: Collection[Opening], place: Place, wall: datetime) -> bool:
    """Whether `wall` is in any of the windows: from their beginning on, until their end."""
    return any(begins <= wall < ends for begins, ends in stretches(windows, place, wall))


def end_of(windows: Collection[Opening], place: Place, wall: datetime) -> datetime:
    """The first moment from `wall` on that is in none of the windows; the last of all if there is none."""
    for _ in range(30):  # a week's windows come again the next week, but for the sun
        ends = [end for begin, end in stretches(windows, place, wall) if begin <= wall < end]
        if not ends:
            return wall
        wall = max(ends)
    return datetime.max.replace(tzinfo=UTC)


def stretches(
    windows: Collection[Opening], place: Place, wall: datetime
) -> Iterator[tuple[datetime, datetime]]:
    """Each window as it falls on the days around `wall`."""
    today = wall.astimezone(place.zone).date()
    for opening in windows:
        window = opening.window
        for on in (today + timedelta(days=k) for k in range(-3, 3)):
            if opening.on(on):
                begins = instant(window.opens, place, on)
                ends = [instant(window.closes, place, on + timedelta(days=k)) for k in range(3)]
                which = day_of_end(window)
                yield begins, min(e for e in ends if e > begins) if which is None else ends[which]


# From what to what: how many days later the end is, by the minutes of both ends after their midnights.
ENDS: dict[tuple[str, str], Callable[[int, int], int | None]] = {
    ("clock", "clock"): lambda opens, closes: int(closes <= opens),
    ("clock", "rise"): lambda opens, _: int(opens >= 12 * 60),
    ("clock", "set"): lambda _, __: 0,
    ("rise", "clock"): lambda _, closes: int(closes <= 3 * 60),
    ("set", "clock"): lambda _, closes: int(closes <= 12 * 60),
    ("rise", "set"): lambda _, __: 0,
    ("set", "rise"): lambda _, __: 1,
    ("rise", "rise"): lambda _, __: None,
    ("set", "set"): lambda _, __: None,
}
KINDS = {None: "clock", "dawn": "rise", "sunrise": "rise", "sunset": "set", "dusk": "set"}


def day_of_end(window: Window) -> int | None:
    """How many days after its beginning the window ends; None: whenever its end comes first."""
    opens, closes = window.opens, window.closes
    return ENDS[KINDS[opens.sun], KINDS[closes.sun]](opens.minutes, closes.minutes)


def instant(when: TimeOfDay, place: Place, on: date) -> datetime:
    """`when` on the local date `on`, in UTC."""
    if when.sun is None:
        on, minutes = on + timedelta(days=when.minutes // 1440), when.minutes % 1440
        moment = datetime.combine(on, time(minutes // 60, minutes % 60), place.zone).astimezone(UTC)
        shown = moment.astimezone(place.zone)
        if shown.hour * 60 + shown.minute == minutes:
            return moment
        return moment - timedelta(
            minutes=minutes % 60
        )  # left out; the made zones jump at a full hour, by one
    assert place.latitude is not None
    assert place.longitude is not None
    there = sun_day(place.latitude, place.longitude, place.time_zone, on).when(when.sun)
    assert isinstance(there, datetime), "the made places have a sunrise and a sunset each day"
    return there + timedelta(minutes=when.minutes)
