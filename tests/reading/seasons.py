"""Days of watching and of nobody, made up, to try two readings of `[[absence]]` on.

Stretches of watching and comings lie so that no count ends within minutes of what an absence asks for: how
the last frame of a stretch counts is nobody's question here.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from dooryard.core.records import Moment, Visit
from dooryard.policy.schema import Place, Policy
from fakes.rules import ALDER_ROW, visit
from reading.absence import Absence, Message
from reading.made import EVES, GROUP_OF, NEVER_SET, NONE, SURE, WEEK, WHO, WORDS, ZONES, Maker

MIN_S, DAY_MIN = 60, 24 * 60
FRAME_S = 5  # between two frames
APART = timedelta(minutes=3)  # the same message comes from both within this

# Of each zone: elsewhere the sun's day is not the clock's, and a time by the sun falls on another date.
LONGITUDES = {"Europe/London": -1.258, "America/New_York": -75.0, "Asia/Kathmandu": 85.3, "UTC": 0.0}


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some minutes, in each of which time passes once, unless the box is off."""

    minutes: int
    watches: bool = False
    off: bool = False


@dataclass(frozen=True, slots=True)
class Season:
    """A policy with one absence, and what happens."""

    tables: dict[str, Any]
    begins: datetime  # the true time
    stretches: tuple[tuple[Stretch, tuple[Visit, ...]], ...]  # each with those who are seen as it begins
    set_from_min: int  # minutes from the beginning


def season(chance: Random) -> Season:
    eve, zone = chance.choice(EVES), chance.choice(ZONES)
    place = {**ALDER_ROW, "time_zone": zone, "longitude": LONGITUDES[zone]}
    by_hour = chance.random() < 0.5
    begins = datetime(*eve, tzinfo=Place.model_validate(place).zone) + timedelta(hours=chance.randrange(24))
    absence = {"name": "nobody yet", **_absence(chance, date(*eve), by_hour=by_hour)}
    stretches = tuple(_stretches(chance, 3 if by_hour else 0))
    set_from = chance.choice([0, 0, 0, chance.randrange(0, 2 * DAY_MIN)])
    return Season({"place": place, "absence": [absence]}, begins, stretches, set_from)


def _absence(chance: Random, around: date, *, by_hour: bool) -> dict[str, Any]:
    table: dict[str, Any] = {
        "by": chance.choice(["07:07", "10:07", "16:07", "22:07", "sunset", "sunrise+2h"])
    }
    if not by_hour:
        table = {"after_h": chance.choice([0.5, 1.5, 2.5, 5.5])}
    elif chance.random() < 0.3:
        table["days"] = sorted(chance.sample(WEEK, 4), key=WEEK.index)
    if chance.random() < 0.3:
        table["dates"] = Maker(chance, around, NONE).dates()
    if chance.random() < 0.8:
        words = chance.sample([word for word in WORDS if word != "something"], chance.randint(1, 2))
        table["visitor"] = words
    keys: dict[str, Sequence[object]] = {"sure": SURE, "when_over": [True, False]}
    return table | {key: chance.choice(values) for key, values in keys.items() if chance.random() < 0.4}


def _stretches(chance: Random, more_min: int) -> Iterator[tuple[Stretch, tuple[Visit, ...]]]:
    """About four days."""
    whole = 0
    while whole < 4 * DAY_MIN:
        kind = chance.choice(["watches", "watches", "rests", "off"])
        minutes = 20 * chance.choice([1, 2, 3, 6, 12, 24]) + (more_min if kind == "watches" else 0)
        seen: tuple[Visit, ...] = ()
        if kind == "watches" and chance.random() < 0.4:
            group, species = chance.choice(WHO)
            sure = chance.choice(SURE)
            seen = (
                visit(group, species, sure=sure, group_sure=chance.choice([sure, 1.0]) if species else None),
            )
        yield Stretch(minutes, kind == "watches", kind == "off"), seen
        whole += minutes


def messages(made: Season) -> tuple[list[tuple[datetime, Message]], list[tuple[datetime, Message]]]:
    """What the second reading and the engine tell, each with the true time."""
    engine: Any = importlib.import_module("dooryard.policy.absence")
    policy: Any = Policy.model_validate(made.tables)
    state = engine.Absences()
    ours, theirs = list[tuple[datetime, Message]](), list[tuple[datetime, Message]]()
    reading = Absence(made.tables["absence"][0], policy.place, GROUP_OF)
    place = {"place": policy.place, "salt": b"alder row"}

    def told(at: datetime, said: list[Message], absent: tuple[Any, ...]) -> None:
        ours.extend((at, message) for message in said)
        theirs.extend((at, _of_engine(each)) for each in absent)

    minute = 0
    for stretch, seen in made.stretches:
        known = minute >= made.set_from_min
        begins = _moment(made, minute, known=known)
        absent: tuple[Any, ...]
        for each in seen:
            state, absent = engine.came(
                policy.absence, state, (each,), begins, clock_set=known, group_of=GROUP_OF, **place
            )
            told(begins.wall, reading.came(each.visitor, begins, clock_set=known), absent)
        for m in range(minute, minute + stretch.minutes):
            known = m >= made.set_from_min
            now = _moment(made, m + 1, known=known)
            if stretch.watches:
                for second in range(0, MIN_S, FRAME_S):
                    state = engine.watched(state, now.mono_s - MIN_S + second)
                reading.watch(_moment(made, m, known=known), now, clock_set=known)
            if not stretch.off:
                state, absent = engine.advance(policy.absence, state, now, clock_set=known, **place)
                told(now.wall, reading.moment(now, clock_set=known), absent)
        minute += stretch.minutes
    return (ours, theirs) if not reading.too_near else ([], [])


def difference_of_season(made: Season) -> str | None:
    """The messages of both where they are not the same, in words; None where they are."""
    ours, theirs = messages(made)
    same = len(ours) == len(theirs) and all(
        one == other and abs(at - when) <= APART
        for (at, one), (when, other) in zip(ours, theirs, strict=True)
    )
    if same:
        return None
    lines = [f"second reading: {_lines(ours)}", f"the engine:     {_lines(theirs)}", f"policy: {made.tables}"]
    happened = [
        (stretch.minutes, "watches" if stretch.watches else "off" if stretch.off else "rests",
         [(each.visitor.key, each.visitor.sure, each.visitor.group_sure) for each in seen])
        for stretch, seen in made.stretches
    ]  # fmt: skip
    return "\n".join([*lines, f"from {made.begins} on, clock set after {made.set_from_min} min: {happened}"])


def _moment(made: Season, minute: int, *, known: bool) -> Moment:
    begins = made.begins.astimezone(NEVER_SET.tzinfo) if known else NEVER_SET
    return Moment(begins + timedelta(minutes=minute), 7_000_000.0 + minute * MIN_S)


def _of_engine(absent: Any) -> Message:
    if absent.over:
        return Message(absent.absence, "over", absent.visitor.key)
    return Message(absent.absence, "nobody")


def _lines(told: list[tuple[datetime, Message]]) -> str:
    return "; ".join(f"{at:%d %b %H:%M}Z {message.kind} {message.who or ''}".rstrip() for at, message in told)
