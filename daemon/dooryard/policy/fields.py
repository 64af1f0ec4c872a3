"""What the tables of a policy or box file are made of: names, times, and their checks. Pure.

Checks that need to know the box (its sinks) or the model (its visitors) are made only when `KnownNames` is
handed in as the validation context; `parse` does that.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Final, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    ValidationInfo,
)

from dooryard.classify import regions
from dooryard.classify.labels import GROUPS
from dooryard.config.toml_document import did_you_mean, quoted
from dooryard.core.errors import ConfigError
from dooryard.core.records import SOMETHING
from dooryard.policy.times import TimeOfDay, parse_time

ANYTHING = "anything"
NOT_SURE = "not sure"
ALL_SINKS = "all"
NEVER = "never"
SUN_WITHOUT_PLACE: Final = "sun_without_place"
_SPECIES_SHOWN = 12
MOST_COOLDOWN_MIN = 7 * 24 * 60
WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


class Gauge(NamedTuple):
    """What is known of a sensor before it is read."""

    unit: str  # "°C", "%", "" for yes or no
    every_s: float  # seconds between two readings


@dataclass(frozen=True, slots=True)
class KnownNames:
    """What the names in a policy can be checked against; None: not known, not checked."""

    sinks: frozenset[str] | None = None
    visitors: frozenset[str] | None = None
    sensors: Collection[str] | None = None


def as_tuple(value: object) -> object:
    """Let one thing stand for a list of one."""
    return tuple(value) if isinstance(value, list) else value if isinstance(value, tuple) else (value,)


def one_line(value: str) -> str:
    """Text that is shown in titles and mail headers: not empty, no control characters."""
    if not value.strip() or not value.isprintable():
        raise ValueError("must be readable text on one line")
    return value.strip()


def plain_name(value: str) -> str:
    """A name as it is compared: single spaces, lower case."""
    return " ".join(value.split()).casefold()


def _known_visitor(value: str, info: ValidationInfo) -> str:
    name = plain_name(value)
    known = info.context.visitors if isinstance(info.context, KnownNames) else None
    if known is None or name in (ANYTHING, NOT_SURE, SOMETHING) or name in known:
        return name
    hint = did_you_mean(name, known | {ANYTHING, NOT_SURE, SOMETHING})
    kinds = sorted(each for each in known if each.endswith(f" {name}"))
    if kinds:  # "sparrow"
        hint = f" (some kinds of it are: {', '.join(kinds[:3])})"
    teach = "" if hint else "; one that the box should learn is taught by `dooryard teach`"
    raise ValueError(f"no visitor is called {quoted(name)}{hint}; write {_choices(known)}{teach}")


def _choices(known: frozenset[str]) -> str:
    """What may stand for a visitor, in words."""
    groups = [group for group in GROUPS if group in known]
    species = sorted(known - set(groups))
    few = len(species) <= _SPECIES_SHOWN
    names = ", ".join(species) if few else "`dooryard birds` lists those of the place"
    told = f"a group ({', '.join(groups)}), " if groups else ""
    told += f"a species ({names}), " if species else ""
    return f'{told}"{NOT_SURE}", "{ANYTHING}" or "{SOMETHING}"'


def _known_sink(value: str, info: ValidationInfo) -> str:
    known = info.context.sinks if isinstance(info.context, KnownNames) else None
    if known is None or value == ALL_SINKS or value in known:
        return value
    has = ", ".join(sorted(known)) or "none"
    hint = did_you_mean(value, known)
    raise ValueError(f"the box has no sink {quoted(value)}{hint}; it has: {has}")


def one_sink(value: str) -> str:
    if value == ALL_SINKS:
        raise ValueError(f'"{ALL_SINKS}" means every sink; name one of them')
    return value


def _known_sensor(value: str, info: ValidationInfo) -> str:
    known = info.context.sensors if isinstance(info.context, KnownNames) else None
    if known is None or value in known:
        return value
    has = ", ".join(sorted(known)) or "none"
    hint = did_you_mean(value, known)
    raise ValueError(
        f"the box has no sensor {quoted(value)}{hint}; it has: {has}; "
        "add a [[sensor]] with that name to the box file, or take this out"
    )


def known_birds(value: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
    """Names of regions and birds, some of them struck out; the place's coordinates stand before them."""
    place = info.data
    try:
        regions.of_place(value, place.get("latitude"), place.get("longitude"))
    except ConfigError as error:
        raise ValueError(f"{error.what}; {error.remedy}") from error
    return value


_OFFSET = re.compile(r"(?:GMT|UTC)?([+-])(\d{1,2})(?::?00)?")


def known_zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (KeyError, ValueError, OSError):  # OSError: the name of a folder in the zone data
        offset = _OFFSET.fullmatch(value.strip().upper())
        if offset:  # the signs of these names are the other way round (POSIX)
            sign = "-" if offset[1] == "+" else "+"
            raise ValueError(
                f"no time zone is called {quoted(value)}; a time that is always the same from UTC is"
                f' "Etc/GMT{sign}{int(offset[2])}", one with summer time is named by a place: "Europe/London"'
            ) from None
        hint = did_you_mean(value, available_timezones())
        raise ValueError(
            f'no time zone is called {quoted(value)}{hint}; write an IANA name such as "Europe/London"'
        ) from None
    return value


def summary_time(value: object) -> TimeOfDay | None:
    return None if value is None or value == NEVER else parse_time(value)


def own_summary_time(value: object) -> TimeOfDay | str | None:
    """As `summary_time`, but never to be told apart from a key that is left out (None)."""
    return NEVER if value == NEVER else None if value is None else parse_time(value)


def day_name(value: str) -> str:
    """A day of the week as `WEEK` has it. Raises ValueError for anything else."""
    if value in WEEK:
        return value
    begins = value.strip()[:3].capitalize()  # "saturday", "SAT"
    hint = f' (did you mean "{begins}"?)' if begins in WEEK else did_you_mean(value[:4], WEEK)
    raise ValueError(f"no day is called {quoted(value)}{hint}; write {', '.join(WEEK)}")


def in_week_order(days: tuple[str, ...]) -> tuple[str, ...]:
    """`days` from Monday on. Raises ValueError if one is there twice."""
    for day in days:
        if days.count(day) > 1:
            raise ValueError(f"names {day} twice; take one out")
    return tuple(sorted(days, key=WEEK.index))


Days = Annotated[
    tuple[Annotated[str, AfterValidator(day_name)], ...],
    BeforeValidator(as_tuple),
    Field(min_length=1, max_length=14),
    AfterValidator(in_week_order),
]
Line = Annotated[str, Field(max_length=80), AfterValidator(one_line)]
Time = Annotated[TimeOfDay, PlainValidator(parse_time)]
VisitorName = Annotated[str, AfterValidator(_known_visitor)]
SensorName = Annotated[str, Field(max_length=40), AfterValidator(one_line), AfterValidator(_known_sensor)]
SinkName = Annotated[str, AfterValidator(_known_sink)]
OneSink = Annotated[SinkName, AfterValidator(one_sink)]
SinkNames = Annotated[tuple[SinkName, ...], BeforeValidator(as_tuple), Field(max_length=16)]


class Table(BaseModel):
    """A table of a policy or box file: unknown keys are errors, and nothing is converted in silence."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    @cached_property
    def _hashed(self) -> int:
        return hash(tuple(getattr(self, name) for name in type(self).model_fields))

    def __hash__(self) -> int:
        return self._hashed  # kept: the caches of hours are asked at each decision
