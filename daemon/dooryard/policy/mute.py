"""Pause and mute: when only urgent alerts are sent, and until when. Pure.

A pause is the policy's, for whole local days; a mute is asked for from now until a moment. Neither counts
while the clock is not set. The end of a mute is a moment of the wall clock: one that is further off than a
mute may last was written while the clock was wrong, and does not count.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from dooryard.core.errors import ConfigError
from dooryard.policy.hours import time_on
from dooryard.policy.schema import Place, Policy
from dooryard.policy.silence import Pause
from dooryard.policy.times import TimeOfDay

MOST_DAYS = 31
MORNING = TimeOfDay(6 * 60)  # when a mute ends that was asked for until a day
GRAMMAR = "tomorrow, a time such as 18:30, how long such as 2h or 45min, or a date such as 2026-12-24"
HUSHES = ("mute", "pause")  # names of the clauses
_SLACK = timedelta(days=1)  # a clock that is set back a little must not end a mute
_DAY = timedelta(days=1)
_LONGEST_PAUSE_DAYS = 370  # how far on its end is looked for
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
_LASTS = re.compile(r"(?=\d)(?:(\d{1,4})\s*h)?\s*(?:(\d{1,5})\s*min)?", re.ASCII)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Hush:
    """What holds, in words: 'muted until 06:00', 'pause "holidays" until 3 Jan'."""

    name: str  # "mute" or "pause"
    text: str


def hushed(policy: Policy, muted_until: datetime | None, wall: datetime, clock_set: bool) -> Hush | None:
    """The mute or the pause that holds at `wall` (aware), or None."""
    if not clock_set:
        return None
    if muted_until is not None and mute_holds(muted_until, wall):
        return Hush("mute", muted_text(policy.place, muted_until, wall))
    if not policy.pause:
        return None
    today = wall.astimezone(policy.place.zone).date()
    paused = next((pause for pause in policy.pause if _holds_on(pause, today)), None)
    return None if paused is None else Hush("pause", _paused_text(paused, today))


def mute_holds(until: datetime, wall: datetime) -> bool:
    """Whether a mute that ends at `until` holds at `wall`."""
    return wall < until <= wall + timedelta(days=MOST_DAYS) + _SLACK


def muted_text(place: Place, until: datetime, wall: datetime) -> str:
    """Text like "muted until 06:00", with the day where that is more than one off."""
    local = until.astimezone(place.zone)
    day = "" if until - wall <= _DAY else f" on {_day(local.date())}"
    return f"muted until {local:%H:%M}{day}"


def pauses_on(policy: Policy, day: date) -> tuple[str, ...]:
    """Names of the pauses that hold on a local date."""
    return tuple(pause.name for pause in policy.pause if _holds_on(pause, day))


def mute_end(text: str, wall: datetime, place: Place) -> datetime:
    """The moment (UTC) that `text` means at `wall`: see `GRAMMAR`. Raises ConfigError for anything else.

    "tomorrow" and a date are 06:00 of that local day; a time is the next such time.
    """
    asked = " ".join(text.split()).casefold()
    until = _end(asked, wall, place)
    if until is None:
        raise ConfigError(f'"{text}" does not say until when', f"write {GRAMMAR}")
    latest = wall + timedelta(days=MOST_DAYS)
    if until <= wall:
        raise ConfigError(f'"{text}" is over already', "choose a later time")
    if until > latest:
        local = latest.astimezone(place.zone)
        raise ConfigError(
            f"a mute lasts {MOST_DAYS} days at most, and that is longer",
            f"choose {local:%Y-%m-%d} or earlier, or write a [[pause]] with its dates into the policy",
        )
    return until


def _end(asked: str, wall: datetime, place: Place) -> datetime | None:
    today = wall.astimezone(place.zone).date()
    if asked == "tomorrow":
        return time_on(place, MORNING, today + _DAY)
    if match := _CLOCK.fullmatch(asked):
        hours, minutes = int(match[1]), int(match[2])
        if minutes > 59 or hours > 23:
            return None
        at = TimeOfDay(hours * 60 + minutes)
        return next(end for k in range(3) if (end := time_on(place, at, today + k * _DAY)) > wall)
    if match := _LASTS.fullmatch(asked):
        return wall + timedelta(hours=int(match[1] or 0), minutes=int(match[2] or 0))
    if _DATE.fullmatch(asked):
        return _morning_of(asked, place)
    return None


def _morning_of(asked: str, place: Place) -> datetime | None:
    try:
        day = date.fromisoformat(asked)
        return time_on(place, MORNING, day)
    except (ValueError, OverflowError):
        return None


def _holds_on(pause: Pause, day: date) -> bool:
    return any(day in each for each in pause.dates)


def _paused_text(pause: Pause, today: date) -> str:
    last = today
    for _ in range(_LONGEST_PAUSE_DAYS):
        if not _holds_on(pause, last + _DAY):
            return f'pause "{pause.name}" until {_day(last)}'
        last += _DAY
    return f'pause "{pause.name}"'


def _day(day: date) -> str:
    return f"{day.day} {day:%b}"
