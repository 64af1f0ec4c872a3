"""Whole days before the camera, made up: who comes, stays and leaves, several at once, over several days.

The sightings go through the real `visits`, once for the second reading and once inside the pipeline.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from random import Random
from typing import Any

import numpy as np

from dooryard import pipeline
from dooryard.core.effects import Record
from dooryard.core.records import Box as Rectangle
from dooryard.core.records import Moment, Naming, Picture, Sighting
from dooryard.gate import GateSettings
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from dooryard.tracking import visits
from dooryard.tracking.visits import VisitSettings, VisitsState
from reading.made import (
    EVES,
    GROUP_OF,
    NEVER_SET,
    NONE,
    SCIENTIFIC,
    SINKS,
    made_tables,
    quiet_for_long_left_out,
)
from reading.simple import Answer, Around, Box, Reader, Still

SETTINGS = VisitSettings()
AFTER_S = 6.5  # the next moment after the last look at a visit, so that it is over
SPOTS = [(0.15, 0.15), (0.85, 0.15), (0.15, 0.85), (0.85, 0.85)]  # too far apart to be one visit
WHO = [("bird", None), ("bird", "house finch"), ("bird", "robin"), ("squirrel", None), ("cat", None),
       ("dog", "rex"), ("unclear", None), ("something", None)]  # fmt: skip
PAUSES_S = [1.0, 8.0, 60.0, 240.0, 600.0, 1800.0, 3600.0, 7200.0, 5 * 3600.0, 86_400.0, 86_400.0,
            3 * 86_400.0, 33 * 86_400.0]  # fmt: skip
SHORT, LONG = [1, 2, 4, 4, 8, 14], [4, 8, 14, 30]  # looks at one visit
STEPS_S = [0.8, 1.0, 1.5, 3.0, 5.0]
PIXELS = np.zeros((4, 4, 3), np.uint8)
KNOWN_EFFECTS = {"Look", "Glance", "Record", "Update", "Nobody", "Rest"}


@dataclass(frozen=True, slots=True)
class Instant:
    """What is seen at one moment; `stops`: the camera goes to rest."""

    now: Moment
    sightings: tuple[Sighting, ...]
    clock_set: bool
    muted_until: datetime | None
    stops: bool = False


@dataclass(frozen=True, slots=True)
class Days:
    """A policy, a box, and days before it."""

    tables: dict[str, Any]  # as TOML has them
    sinks: frozenset[str]
    instants: tuple[Instant, ...]


def days(chance: Random, families: frozenset[str] = NONE) -> Days:
    """A policy with whole days."""
    eve = chance.choice(EVES)
    tables = made_tables(chance, date(*eve), families)
    instants = tuple(_instants(chance, eve, families))
    quiet_for_long_left_out(tables, [each.now.wall for each in instants[::20]])
    return Days(tables, frozenset(chance.choice(SINKS[:4])), instants)


def _instants(chance: Random, eve: tuple[int, int, int], families: frozenset[str]) -> Iterator[Instant]:
    wall = datetime(*eve, tzinfo=UTC) + timedelta(minutes=chance.randrange(0, 48 * 60))
    begins = Moment(wall, 7_000_000.0)
    usual = chance.choice([WHO, WHO[:3], WHO[3:5], WHO[2:3]])
    seen = sorted(_looks(chance, usual, families), key=lambda look: look[0])
    when_set = chance.choice([0.0, 0.0, 0.0, chance.choice(seen)[0], seen[-1][0] + 1])
    mutes = _mutes(chance, begins, seen[-1][0]) if "mute" in families else []
    stops_after = chance.choice([None, chance.choice(seen)[0]])
    times = [(t, [make for _, make in looks]) for t, looks in groupby(seen, key=lambda look: look[0])]
    for at, (t, makers) in enumerate(times):
        clock_set = t >= when_set
        now = _moment(begins, t, clock_set=clock_set)
        muted = [until for since, until in mutes if since <= t]
        sightings = tuple(_sighting(number, now, *make) for number, make in enumerate(makers) if make)
        yield Instant(now, sightings, clock_set, muted[-1] if muted and clock_set else None)
        following = times[at + 1][0] if at + 1 < len(times) else t + 2 * AFTER_S
        if stops_after == t and following > t + 0.5:
            yield Instant(_moment(begins, t + 0.4, clock_set=clock_set), (), clock_set, None, stops=True)


def _moment(begins: Moment, t: float, *, clock_set: bool) -> Moment:
    base = begins.wall if clock_set else NEVER_SET
    return Moment(base + timedelta(seconds=t), begins.mono_s + t)


def _mutes(chance: Random, begins: Moment, whole_s: float) -> list[tuple[float, datetime]]:
    """From when on, until when; a later one takes the place of an earlier one."""
    since = sorted(chance.uniform(0, whole_s) for _ in range(chance.choice([0, 1, 2])))
    lasts_s = [600.0, 7200.0, 86_400.0, 3 * 86_400.0]
    return [(t, begins.wall + timedelta(seconds=t + chance.choice(lasts_s))) for t in since]


Make = tuple[tuple[float, float], str, str | None, float, float]
Looks = list[tuple[float, Make | None]]


def _looks(chance: Random, usual: list[tuple[str, str | None]], families: frozenset[str]) -> Looks:
    """Who is seen when, in seconds from the beginning; None: a moment at which nobody is."""
    t, free, found = 0.0, dict.fromkeys(range(len(SPOTS)), 0.0), Looks()
    for number in range(chance.randint(2, 24)):
        t = round(t + chance.choice(chance.choice([PAUSES_S, PAUSES_S[:2], PAUSES_S[:6]])), 3)
        spots = [spot for spot, since in free.items() if since < t]
        if not spots:
            continue
        spot = chance.choice(spots)
        group, species = chance.choice(usual)
        at = t + 0.01 * number  # no two begin at once
        step_s = chance.choice(STEPS_S)
        p, of_species = chance.choice([0.5, 0.75, 0.9, 0.98]), chance.choice([0.9, 0.97, 0.99])
        named_at = chance.choice([0, 0, 3])
        for look in range(chance.choice(LONG if "still_here" in families else SHORT)):
            named = species if look >= named_at else None
            found.append((round(at, 3), (SPOTS[spot], group, named, p, of_species)))
            at += step_s
        free[spot] = at + 2 * AFTER_S
        if chance.random() < 0.8:
            found.append((round(at - step_s + AFTER_S, 3), None))
    last = max(t for t, _ in found)
    return [*found, (last + AFTER_S, None)]


def _sighting(
    number: int, now: Moment, at: tuple[float, float], group: str, species: str | None, p: float, sure: float
) -> Sighting:
    box = Rectangle(at[0] - 0.05, at[1] - 0.05, at[0] + 0.05, at[1] + 0.05)
    groups = {"bird": p / 2, "squirrel": p / 2} if group == "unclear" else {group: p}
    named = (Naming(group, sure, species, SCIENTIFIC[species]),) if species else ()
    looked = group != "something"
    return Sighting(
        number, now.wall, now.mono_s, box, groups if looked else {}, named, 100.0,
        Picture(number, now.wall, PIXELS, box), classified=looked,
    )  # fmt: skip


Said = list[tuple[str, Answer] | Still]


def said_twice(made: Days, module: Any = pipeline, state: Any = None) -> Iterator[tuple[Instant, Said, Said]]:
    """At each instant, what the second reading and the pipeline of the engine in `module` decide for good."""
    reading = Box(Reader(made.tables, made.sinks, GROUP_OF))
    there = VisitsState(salt=b"alder row")
    engine = pipeline.State(visits=there, policy=PolicyState() if state is None else state)
    policy = Policy.model_validate(made.tables)
    for instant in made.instants:
        conditions = _conditions(policy, made.sinks, instant)
        if instant.stops:
            there, changes = visits.finish(there, instant.now, SETTINGS)
            engine, effects = module.finish(engine, conditions, instant.now)
        else:
            there, changes = visits.advance(there, instant.sightings, instant.now, SETTINGS)
            boxes = [sighting.box for sighting in instant.sightings]
            engine, effects = module.looked(engine, boxes, instant.sightings, conditions, instant.now)
        yield instant, _read(reading, instant, changes), _of_engine(effects)


def read_alone(made: Days) -> Iterator[tuple[Instant, Said]]:
    """What the second reading says, for what the engine does not have yet."""
    reading, there = Box(Reader(made.tables, made.sinks, GROUP_OF)), VisitsState(salt=b"alder row")
    for instant in made.instants:
        if instant.stops:
            there, changes = visits.finish(there, instant.now, SETTINGS)
        else:
            there, changes = visits.advance(there, instant.sightings, instant.now, SETTINGS)
        yield instant, _read(reading, instant, changes)


def _read(reading: Box, instant: Instant, changes: visits.Changes) -> Said:
    around = Around(instant.now, instant.clock_set, instant.muted_until)
    return reading.moment(around, changes.settled, changes.ended, (*changes.nobody, *changes.merged))


def _conditions(policy: Policy, sinks: frozenset[str], instant: Instant) -> pipeline.Conditions:
    conditions = pipeline.Conditions(
        policy, GateSettings(), SETTINGS, sinks, clock_set=instant.clock_set, group_of=GROUP_OF
    )
    if instant.muted_until is None:
        return conditions
    if not hasattr(conditions, "muted_until"):
        raise NotImplementedError("the pipeline's conditions have no muted_until: say here how it is told")
    return replace(conditions, muted_until=instant.muted_until)


def _of_engine(effects: tuple[Any, ...]) -> Said:
    said = Said()
    for effect in effects:
        if isinstance(effect, Record):
            decision = effect.decision
            answer = Answer(decision.outcome, decision.rule, frozenset(decision.sinks))
            said.append((decision.visit, answer))
        elif type(effect).__name__ not in KNOWN_EFFECTS:  # the only other: it is still here
            said.append(Still(effect.visit.id, frozenset(effect.decision.sinks)))
    return said
