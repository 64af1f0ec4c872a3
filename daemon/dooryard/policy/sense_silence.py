"""Absences and pauses that were surely not meant so: warnings. Pure."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from dooryard.config.toml_document import Document, quoted
from dooryard.policy.hours import spans_around, time_on
from dooryard.policy.schema import WEEK, Absence, Policy
from dooryard.policy.times import TimeOfDay

_DAY = timedelta(days=1)
_HOUR = timedelta(hours=1)
_FIRST = date(2024, 1, 1)  # a leap year; the sun's times hardly differ from one year to the next
_YEAR_DAYS = range(0, 366, 5)
_DATED_DAYS = range(30 * 366)  # how far dates with a year are looked for


def warn(document: Document, policy: Policy) -> None:
    """Warn of what is never told, of what is told to nobody, and of a pause without an end."""
    for i, absence in enumerate(policy.absence):
        if not absence.send_to:
            document.warning(("absence", i, "send_to"), "nobody is told; name a sink, or take it out")
        if absence.sure >= 1:
            document.warning(
                ("absence", i, "sure"),
                "no visit is ever as certain as that, so nobody counts as having come; 0.5 to 0.9 is usual",
            )
        _warn_of_by(document, policy, i, absence)
    for i, pause in enumerate(policy.pause):
        if all(any((_FIRST + k * _DAY) in each for each in pause.dates) for k in range(366)):
            document.warning(
                ("pause", i, "dates"),
                f"{quoted(pause.name)} holds on every day, so only what is urgent is ever sent; choose dates",
            )


def _warn_of_by(document: Document, policy: Policy, i: int, absence: Absence) -> None:
    if absence.by is None:
        return
    if absence.dates and not any(_asked_for(absence, _FIRST + k * _DAY) for k in _DATED_DAYS):
        document.warning(
            ("absence", i, "days"),
            f"{quoted(absence.name)} is never told: none of its dates is on one of its days; change either",
        )
        return
    by = absence.by
    if not any(_watched(policy, by, _FIRST + k * _DAY) >= _HOUR for k in _YEAR_DAYS):
        document.warning(
            ("absence", i, "by"),
            f"{quoted(absence.name)} is never told: from midnight to {by} the camera watches for less than an"
            " hour; choose a later time, or other hours.watch",
        )


def _asked_for(absence: Absence, on: date) -> bool:
    return WEEK[on.weekday()] in absence.days and any(on in each for each in absence.dates)


def _watched(policy: Policy, by: TimeOfDay, on: date) -> timedelta:
    """How long the camera is on from the midnight of `on` until that day's `by`."""
    place = policy.place
    midnight, at = datetime.combine(on, time(), place.zone), time_on(place, by, on)
    if not policy.hours.watch:
        return at - midnight
    total = timedelta()
    for start, end in spans_around(policy.hours.watch, place, on):
        total += max(timedelta(), min(end, at) - max(start, midnight))
    return total
