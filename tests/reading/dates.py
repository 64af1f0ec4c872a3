"""Ranges of dates and seasons, by the owner's words. Part of the second reading."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
WHOLE = ["january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
         "november", "december"]  # fmt: skip
LEAP = 2028
LEAP_DAY = (2, 29)


@dataclass(frozen=True, slots=True)
class Dates:
    """From one day to another, both included: (month, day) every year, or dates once."""

    first: date | tuple[int, int]
    last: date | tuple[int, int]

    def holds(self, on: date) -> bool:
        if isinstance(self.first, date):
            assert isinstance(self.last, date)
            return self.first <= on <= self.last
        assert not isinstance(self.last, date)
        begun = on >= in_year(self.first, on.year, without_leap_day=(3, 1))
        not_over = on <= in_year(self.last, on.year, without_leap_day=(2, 28))
        return (begun or not_over) if self.first > self.last else (begun and not_over)


def in_year(day: tuple[int, int], year: int, without_leap_day: tuple[int, int]) -> date:
    """That month and day of `year`; `without_leap_day` for 29 Feb in a year that has none."""
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return date(year, *(without_leap_day if day == LEAP_DAY and not leap else day))


def ranges(tables: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> tuple[Dates, ...]:
    """One range as TOML has it, or several. ValueError where it is none."""
    several = [tables] if isinstance(tables, Mapping) else tables
    return tuple(_range(table) for table in several)


def any_holds(dates: Collection[Dates], on: date) -> bool:
    return any(each.holds(on) for each in dates)


def season_began(on: date) -> date:
    """The first day of the season of `on`: the last 1 Mar, 1 Jun, 1 Sep or 1 Dec."""
    begins = [date(year, month, 1) for year in (on.year - 1, on.year) for month in (3, 6, 9, 12)]
    return max(day for day in begins if day <= on)


def _range(table: Mapping[str, Any]) -> Dates:
    first, last = _day(table["from"]), _day(table["to"])
    if isinstance(first, date) != isinstance(last, date):
        raise ValueError("one end is yearly and one has a year")
    if isinstance(first, date) and isinstance(last, date) and first > last:
        raise ValueError("it ends before it begins")
    return Dates(first, last)


def _day(text: str) -> date | tuple[int, int]:
    if "-" in text:
        return date.fromisoformat(text)
    day, name = text.casefold().split()
    month = (MONTHS if name in MONTHS else WHOLE).index(name) + 1
    date(LEAP, month, int(day))  # ValueError for 31 Apr
    return month, int(day)
