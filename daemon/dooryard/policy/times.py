"""Times of day as the policy writes them: "21:30", "sunrise-30min", "dusk + 1h". Pure text handling."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import time
from enum import StrEnum

from dooryard.config.toml_document import quoted

GRAMMAR = '"HH:MM", or sunrise, sunset, dawn or dusk with an offset such as "sunrise-30min"'
MOST_OFFSET_MIN = 6 * 60
DAY_MIN = 24 * 60

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
_SUN = re.compile(
    r"(?P<sun>sunrise|sunset|dawn|dusk)"
    r"(?:\s*(?P<sign>[+-])\s*(?:(?P<h>\d{1,2})\s*h)?\s*(?:(?P<min>\d{1,3})\s*min)?)?",
    re.ASCII | re.IGNORECASE,
)


class Sun(StrEnum):
    """What the sun does at a moment that a policy can name. Dawn and dusk are those of civil twilight."""

    DAWN = "dawn"
    SUNRISE = "sunrise"
    SUNSET = "sunset"
    DUSK = "dusk"

    @property
    def rising(self) -> bool:
        return self in (Sun.DAWN, Sun.SUNRISE)


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    """Minutes after local midnight, or after (before, if negative) what the sun does."""

    minutes: int
    sun: Sun | None = None  # None: minutes count from local midnight, 0..1440

    def __str__(self) -> str:
        if self.sun is None:
            return f"{self.minutes // 60:02d}:{self.minutes % 60:02d}"
        return f"{self.sun}{self.minutes:+d}min" if self.minutes else str(self.sun)


def parse_time(value: object) -> TimeOfDay:
    """Read a time of day from what TOML gave: text, or a TOML local time.

    Raises ValueError, with a text for the owner, for anything else.
    """
    if isinstance(value, TimeOfDay):
        return value
    if isinstance(value, time):
        if value.second or value.microsecond:
            raise ValueError('times go by whole minutes; write "HH:MM"')
        return TimeOfDay(value.hour * 60 + value.minute)
    if not isinstance(value, str):
        raise ValueError(f"not a time of day; write {GRAMMAR}")  # noqa: TRY004  pydantic takes ValueError
    text = value.strip()
    if match := _CLOCK.fullmatch(text):
        return _of_clock(text, int(match[1]), int(match[2]))
    if match := _SUN.fullmatch(text):
        return _of_sun(match)
    raise ValueError(f"{quoted(text)} is not a time of day; write {GRAMMAR}")


def _of_clock(text: str, hours: int, minutes: int) -> TimeOfDay:
    if minutes > 59 or hours * 60 + minutes > DAY_MIN:
        raise ValueError(f"there is no {text} in a day; write 00:00 to 24:00")
    return TimeOfDay(hours * 60 + minutes)


def _of_sun(match: re.Match[str]) -> TimeOfDay:
    sun = Sun(match["sun"].lower())
    if match["sign"] is None:
        return TimeOfDay(0, sun)
    if match["h"] is None and match["min"] is None:
        raise ValueError(f'how long before or after {sun}? Write for example "{sun}{match["sign"]}30min"')
    minutes = int(match["h"] or 0) * 60 + int(match["min"] or 0)
    if minutes > MOST_OFFSET_MIN:
        raise ValueError(
            f"{minutes} min from {sun} is more than {MOST_OFFSET_MIN // 60} hours; "
            "use a clock time or another event"
        )
    return TimeOfDay(-minutes if match["sign"] == "-" else minutes, sun)
