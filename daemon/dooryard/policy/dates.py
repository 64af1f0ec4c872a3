"""Ranges of dates as the policy writes them: "1 Nov" to "15 Mar" every year, or "2026-12-20" once. Pure.

Days of the year are compared as (month, day). So "29 Feb" as a beginning comes to 1 Mar in a year without
it, as an end to 28 Feb; and a beginning later in the year than the end goes over the year's end.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated

from pydantic import BeforeValidator, Field, PlainValidator, model_validator

from dooryard.config.toml_document import did_you_mean, quoted
from dooryard.policy.fields import Table, as_tuple

GRAMMAR = '"1 Nov" for every year, or "2026-11-01" for once'
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
           "November", "December")  # fmt: skip
_LENGTHS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_NUMBERS = {name.casefold(): i + 1 for i, name in enumerate(_MONTHS)}
_NUMBERS |= {name[:3].casefold(): i + 1 for i, name in enumerate(_MONTHS)} | {"sept": 9}
_DAY_AND_MONTH = re.compile(r"(\d{1,2})\s+([A-Za-z]+)\.?", re.ASCII)
_MONTH_AND_DAY = re.compile(r"([A-Za-z]+)\.?\s+(\d{1,2})", re.ASCII)
_WITH_YEAR = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})[./ -](\d{1,2})[./ -](\d{4})", re.ASCII)
_DAY = timedelta(days=1)
_LEAP_YEAR, _LAST = date(2028, 1, 1).toordinal(), date.max.toordinal()
_BEFORE = 7  # days that a window may begin before what it ends in; more than any does
_LONG = 8 * 366 + 1  # days: the longest without a 29 Feb, over a year such as 2100


@dataclass(frozen=True, slots=True, order=True)
class DayOfYear:
    """A day of every year."""

    month: int  # 1..12
    day: int  # 1..31

    def __str__(self) -> str:
        return f"{self.day} {_MONTHS[self.month - 1][:3]}"


def parse_date(value: object) -> DayOfYear | date:
    """Read a date from what TOML gave: text, or a TOML local date.

    Raises ValueError, with a text for the owner, for anything else.
    """
    if isinstance(value, DayOfYear) or (isinstance(value, date) and not isinstance(value, datetime)):
        return value
    if not isinstance(value, str):
        raise ValueError(f"not a date; write {GRAMMAR}")  # noqa: TRY004  pydantic takes ValueError
    text = value.strip()
    if match := _WITH_YEAR.fullmatch(text):
        return _once(text, *map(int, match.groups()))
    if match := _DAY_AND_MONTH.fullmatch(text):
        return _every_year(int(match[1]), match[2])
    raise ValueError(f"{quoted(text)} is not a date; write {_likely(text) or GRAMMAR}")


def _likely(text: str) -> str:
    """What somebody meant who wrote a date in another way; "": not known."""
    if (match := _MONTH_AND_DAY.fullmatch(text)) and match[1].casefold() in _NUMBERS:
        return f'the day first: "{int(match[2])} {match[1]}"'
    match = _YEAR_LAST.fullmatch(text)
    if match and int(match[2]) <= 12 and ("." in text or int(match[1]) > 12):  # 06/07/2026: nobody knows
        return f'"{match[3]}-{int(match[2]):02d}-{int(match[1]):02d}" for that day once, or {GRAMMAR}'
    return ""


def _once(text: str, year: int, month: int, day: int) -> date:
    try:
        return date(year, month, day)
    except ValueError:
        if year >= 1 and 1 <= month <= 12 and day > 28:
            last = (date(year + month // 12, month % 12 + 1, 1) - _DAY).isoformat() if year < 9999 else ""
            remedy = f'the last day of that month is "{last}"' if last else "choose an earlier year"
        else:
            remedy = 'write year, month and day, such as "2026-11-01"'
        raise ValueError(f"there is no {text}; {remedy}") from None


def _every_year(day: int, name: str) -> DayOfYear:
    month = _NUMBERS.get(name.casefold())
    if month is None:
        hint = did_you_mean(name, [each[:3] for each in _MONTHS] + list(_MONTHS))
        raise ValueError(f"no month is called {quoted(name)}{hint}; write {GRAMMAR}")
    if not 1 <= day <= _LENGTHS[month - 1]:
        last = DayOfYear(month, _LENGTHS[month - 1])
        raise ValueError(
            f"there is no {day} {_MONTHS[month - 1]}: its days are 1 to {last.day}; write such as"
            f' "{last if day else DayOfYear(month, 1)}"'
        )
    return DayOfYear(month, day)


EndOfRange = Annotated[DayOfYear | date, PlainValidator(parse_date)]


class DateRange(Table):
    """From one date to another, both included."""

    first: EndOfRange = Field(
        alias="from", description='Its first day: "1 Nov" for every year, "2026-12-20" for once.'
    )
    last: EndOfRange = Field(
        alias="to",
        description="Its last day, written the same way; one earlier in the year is in the next year.",
    )

    @model_validator(mode="after")
    def _ends_alike(self) -> DateRange:
        if isinstance(self.first, date) and isinstance(self.last, date):
            if self.first > self.last:
                raise ValueError(
                    f"from {self.first} is after to {self.last}; exchange them, or fix one of the years"
                )
        elif isinstance(self.first, date) or isinstance(self.last, date):
            raise ValueError(  # noqa: TRY004  pydantic takes ValueError
                f"from {self.first} to {self.last}: one has a year and the other has none; write both"
                ' such as "20 Dec", or both such as "2026-12-20"'
            )
        return self

    def __contains__(self, on: date) -> bool:
        if isinstance(self.first, date) and isinstance(self.last, date):
            return self.first <= on <= self.last
        assert isinstance(self.first, DayOfYear)
        assert isinstance(self.last, DayOfYear)  # both are of a kind, see above
        day = DayOfYear(on.month, on.day)
        if self.first <= self.last:
            return self.first <= day <= self.last
        return day >= self.first or day <= self.last

    def __str__(self) -> str:
        first, last = (end if isinstance(end, DayOfYear) else _spoken(end) for end in (self.first, self.last))
        return str(first) if first == last else f"{first} to {last}"


Dates = Annotated[tuple[DateRange, ...], BeforeValidator(as_tuple), Field(max_length=20)]


def _spoken(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def within(dates: Sequence[DateRange], on: date) -> bool:
    """Whether `on` is in any of `dates`; none given: always."""
    return not dates or any(on in each for each in dates)


def listed_dates(dates: Sequence[DateRange]) -> str:
    """Text like "1 Nov to 15 Mar, 1 Jun"."""
    return ", ".join(map(str, dates))


def ever_meet(a: Sequence[DateRange], b: Sequence[DateRange], later_days: int = 0) -> bool:
    """Whether any day is in both; in `a` it may be up to `later_days` after the one in `b`."""
    return any(
        within(a, date.fromordinal(min(number + later, _LAST))) and within(b, date.fromordinal(number))
        for number in _days(a, b)
        for later in range(later_days + 1)
    )


def _days(a: Sequence[DateRange], b: Sequence[DateRange]) -> Iterator[int]:
    """Days (ordinals) of which one is in both, if any is: a leap year's, and those of what has years."""
    yield from range(_LEAP_YEAR, _LEAP_YEAR + 366)
    for each in (*a, *b):
        if isinstance(each.first, date) and isinstance(each.last, date):
            first, last = each.first.toordinal(), each.last.toordinal()
            yield from range(max(1, first - _BEFORE), min(last, first + _LONG) + 1)
