"""Names, times and numbers as people say them. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from decimal import ROUND_FLOOR, Decimal
from functools import lru_cache

from dooryard.core.records import SOMETHING, Visitor

# Groups of which a visitor is expected to be told by species; of the others the group says it all.
_BY_SPECIES = frozenset({"bird"})
_MOST_DIGITS = 18  # a float has 17 at most
_VOWELS = "aeiou"
_NOT_AS_WRITTEN = ("eu", "uni", "one", "ura")  # "a European robin": begins with a consonant when spoken
# The labels are in lower case; English writes these with a capital. Common practice, no source.
_PROPER = frozenset({"african", "american", "asian", "canada", "carolina", "eurasian", "european", "indian"})


def spoken(visitor: Visitor) -> str:
    """Whom it is: "a house finch", "a bird, species not sure", "a squirrel"."""
    if visitor.species:
        return with_article(visitor.species)
    if visitor.group == SOMETHING:
        return "something that moved"
    if visitor.group == "animal":
        return "an animal, not sure which"
    name = with_article(visitor.group)
    return f"{name}, species not sure" if visitor.group in _BY_SPECIES else name


def label(visitor: Visitor) -> str:
    """Whom it is, in a list: "house finch", "bird, species not sure", "squirrel"."""
    if visitor.species:
        return visitor.species
    if visitor.group == SOMETHING:
        return "something that moved"
    if visitor.group == "animal":
        return "animal, not sure which"
    return f"{visitor.group}, species not sure" if visitor.group in _BY_SPECIES else visitor.group


def how_sure(visitor: Visitor, when: str = "") -> str:
    """How sure that is: "98 % sure", followed by `when` if given; or that no classifier has looked."""
    if visitor.group == SOMETHING:
        return "not classified"
    return f"{percent(visitor.sure)} sure {when}".rstrip()


def with_article(name: str) -> str:
    """`name` with its capitals and "a" or "an"."""
    low = name.casefold()
    an = low.startswith(tuple(_VOWELS)) and not low.startswith(_NOT_AS_WRITTEN)
    words = [word.capitalize() if word.casefold() in _PROPER else word for word in name.split()]
    return f"{'an' if an else 'a'} {' '.join(words)}"


def sentence(text: str) -> str:
    """`text` with its first letter large."""
    return text[:1].upper() + text[1:]


def duration(seconds: float) -> str:
    """Text like "45 s", "2 min 10 s", "1 h 5 min": rounded up, so that some is never told as none."""
    whole = max(0, math.ceil(seconds))
    if whole >= 3600:
        minutes = math.ceil(whole / 60)
        return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")
    if whole >= 60:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    return f"{whole} s"


def percent(part: float) -> str:
    """Text like "69 %": rounded down, so that what falls short of 70 % is never told as 70 %."""
    return f"{math.floor(part * 100 + 1e-9)} %"


def percent_against(part: float, asked: float) -> tuple[str, str]:
    """Both as "69 %", with as many digits as show on which side of `asked` `part` is."""
    if abs(part - asked) > 0.02:  # whole ones do: without the exact numbers, which cost more
        return f"{_floor(part, 100)} %", f"{_asked(asked, 100)} %"
    shown, bound = against(_exact(part) * 100, _exact(asked) * 100, 0)
    return f"{shown} %", f"{bound} %"


def seconds_against(seconds: float, asked_s: float) -> tuple[str, str]:
    """Both as "4.9 s", with as many digits as show on which side of `asked_s` `seconds` is."""
    if abs(seconds - asked_s) > 0.2:
        tenths = _floor(seconds, 10)
        return f"{tenths // 10}.{tenths % 10} s", f"{_asked(asked_s, 1)} s"
    shown, bound = against(_exact(seconds), _exact(asked_s), 1)
    return f"{shown} s", f"{bound} s"


def against(value: Decimal, asked: Decimal, digits: int) -> tuple[str, str]:
    """`value` rounded down to `digits` decimals or more, so that it is shown on its own side of `asked`.

    `asked` is shown as it is. Rounding down never makes too little look like enough.
    """
    for more in range(digits, _MOST_DIGITS):
        shown = value.quantize(Decimal(1).scaleb(-more), ROUND_FLOOR)
        if (shown >= asked) == (value >= asked):
            break
    else:
        shown = value
    return f"{shown:f}", _plain(asked)


def _floor(value: float, parts: int) -> int:
    """How many `parts`-ths there are in `value`, 0 or more, rounded down."""
    whole = int(value * parts + 1e-9)
    return whole if whole / parts <= value else whole - 1


@lru_cache(maxsize=256)
def _asked(value: float, times: int) -> str:
    return _plain(_exact(value) * times)


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _exact(value: float) -> Decimal:
    """The number that the float's shortest text says: 0.7, and not 0.69999999999999995559."""
    return Decimal(repr(float(value)))


def date_text(day: date) -> str:
    """A date: "14 June 2026"."""
    return f"{day.day} {day:%B} {day.year}"


def listed(words: Sequence[str]) -> str:
    """Text like "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else list(words))
