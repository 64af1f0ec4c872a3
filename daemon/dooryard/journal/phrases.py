"""How the journal says things. Pure."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from datetime import date, datetime
from zoneinfo import ZoneInfo

from dooryard.core.records import SOMETHING, Visitor
from dooryard.core.wording import duration, percent, sentence, spoken, with_article

_NOT_A_SLUG = re.compile(r"[^a-z0-9]+")
_MOST_SLUG = 40


def title_of(visitor: Visitor) -> str:
    """A heading: "House finch", "Bird, species not sure", "Squirrel"."""
    if visitor.species:
        return sentence(with_article(visitor.species).split(" ", 1)[1])
    if visitor.group == SOMETHING:
        return "Something that moved"
    if visitor.group == "animal":
        return "Animal, not sure which"
    return "Bird, species not sure" if visitor.group == "bird" else sentence(visitor.group)


def labels(visitor: Visitor, place: str, *, nobody: bool = False) -> tuple[str, list[str]]:
    """Caption and keywords of a picture."""
    return f"{spoken(visitor)} at {place}", ["nobody" if nobody else title_of(visitor)]


def slug(key: str) -> str:
    """A file name for a visitor's key, different for different keys."""
    plain = unicodedata.normalize("NFKD", key).encode("ascii", "ignore").decode().lower()
    plain = _NOT_A_SLUG.sub("-", plain).strip("-")[:_MOST_SLUG]
    if plain and plain.replace("-", " ") == key:
        return plain
    mark = hashlib.blake2b(key.encode("utf-8", "surrogatepass"), digest_size=4).hexdigest()
    return f"{plain}-{mark}" if plain else mark


def clock(wall: datetime, zone: ZoneInfo) -> str:
    return f"{wall.astimezone(zone):%H:%M}"


def long_date(day: date) -> str:
    """Text like "Sunday, 14 June 2026"."""
    return f"{day:%A}, {day.day} {day:%B %Y}"


def short_date(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def many(count: int, one: str, more: str | None = None) -> str:
    """Text like "1 visit", "3 visits", "no visits"."""
    words = one if count == 1 else more or f"{one}s"
    return f"{count or 'no'} {words}"


def hours(seconds: float) -> str:
    """Text like "6.5 hours", or "4 min" where it is less than one."""
    if 0 < seconds < 3600:
        return f"{seconds // 60:.0f} min"
    value = f"{seconds / 3600:.1f}".removesuffix(".0")
    return f"{value} hour" if value == "1" else f"{value} hours"


def rate(per_h: float | None, watched_s: float, unit: str = "") -> str:
    """Text like "0.43", or "1 in 40 h" where less than one comes in ten hours; `unit` follows the number."""
    if per_h is None:
        return "not watched long enough for a rate" if watched_s > 0 else "not watched"
    if 0 < per_h < 0.1:
        return f"1 in {1 / per_h:.0f} h"
    return f"{two_digits(per_h)}{unit}"


def two_digits(value: float) -> str:
    """Two digits and never an exponent: "0.43", "4.3", "43", "430"."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.2g}"


def minutes_from(minutes: float, before: str, after: str, event: str) -> str:
    """Text like "12 min after sunrise"; `before` is said where `minutes` is negative."""
    if abs(minutes) < 1:
        return f"at {event}"
    return f"{duration(abs(round(minutes)) * 60)} {after if minutes > 0 else before} {event}"


def share(low: float, high: float) -> str:
    """Text like "55 % to 84 %": the lower limit rounded down, the upper one up."""
    return f"{percent(low)} to {min(100, -int(-high * 100 // 1))} %"
