"""Policies and visits, made up by a source of chance, to try two readings of the rules on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any

from dooryard.core.records import Moment, Visit
from dooryard.policy.schema import Place, Policy
from fakes.rules import ALDER_ROW, later, visit
from reading.dates import MONTHS
from reading.families import OF_DAYS
from reading.windows import end_of, openings

GROUP_OF = {"house finch": "bird", "robin": "bird", "rex": "dog", "erithacus rubecula": "bird"}
SCIENTIFIC = {"house finch": "Haemorhous mexicanus", "robin": "Erithacus rubecula", "rex": None}
ZONES = ["Europe/London", "Europe/London", "America/New_York", "Asia/Kathmandu", "UTC"]
FORESEEN = timedelta(days=14)
# The evenings before clocks change in London and in New York, and three days on which none does.
EVES = [
    (2026, 3, 28),
    (2026, 10, 24),
    (2026, 3, 7),
    (2026, 10, 31),
    (2026, 6, 14),
    (2026, 12, 20),
    (2027, 2, 27),
    (2026, 12, 30),
    (2028, 2, 28),
]
NEVER_SET = datetime(2020, 1, 1, tzinfo=UTC)  # what a clock without a battery begins at
SINKS = [{"phone", "post"}, {"phone", "post"}, {"phone", "post"}, {"phone"}, set()]
TIMES = ["00:00", "00:30", "01:30", "02:00", "02:30", "07:00", "12:00", "13:30", "21:30", "22:00", "24:00",
         "sunrise", "sunset", "dawn-20min", "dusk+1h", "sunset-2h"]  # fmt: skip
# Windows whose ends are where one day's and the next day's part.
EDGES = [("12:00", "sunrise"), ("sunset", "12:00"), ("sunrise", "03:00"), ("21:30", "sunset"),
         ("02:00", "dawn-20min"), ("dusk", "sunset+2h"), ("sunrise-30min", "sunset+20min"),
         ("00:00", "24:00")]  # fmt: skip
WORDS = ["bird", "bird", "squirrel", "cat", "dog", "animal", "house finch", "robin", "Erithacus rubecula",
         "rex", "not sure", "anything", "anything", "something"]  # fmt: skip
WHO = [("bird", None), ("bird", "house finch"), ("bird", "robin"), ("squirrel", None), ("cat", None),
       ("dog", None), ("dog", "rex"), ("animal", None), ("something", None)]  # fmt: skip
WEEK = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
SURE = [0.0, 0.3, 0.5, 0.5, 0.7, 0.9, 1.0]
STAYS = [0.0, 1.5, 3.0, 7.9, 8.0, 9.99, 10.0, 12.0, 30.0, 200.0]
GAPS = [1.0, 5.0, 60.0, 120.0, 239.0, 240.0, 241.0, 600.0, 1800.0, 3599.0, 3600.0, 3601.0, 7200.0, 5 * 3600.0,
        10 * 3600.0, 86399.0, 86400.0, 90000.0, 26 * 3600.0]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pace:
    """How visits follow each other in one case."""

    most: int  # visits
    gaps_s: tuple[float, ...]
    stays_s: tuple[float, ...]
    grid_min: int  # the first comes at a multiple of this many minutes


PACES = (
    *(Pace(24, tuple(gaps), tuple(STAYS), 1) for gaps in (GAPS, GAPS[:7], GAPS[4:])),
    Pace(
        24, (60.0, 240.0, 600.0, 1800.0, 3600.0), (0.0,), 30
    ),  # to the second, on the edges of hours and bounds
)
WEEKEND = Pace(48, (1800.0, 3600.0), (0.0,), 60)


@dataclass(frozen=True, slots=True)
class Ask:
    """A visit as it stands when it is asked about."""

    visit: Visit
    now: Moment
    clock_set: bool


@dataclass(frozen=True, slots=True)
class Case:
    """A policy, a box, and what came there."""

    tables: dict[str, Any]  # as TOML has them
    sinks: frozenset[str]
    asks: tuple[Ask, ...]

    @property
    def policy(self) -> Policy:
        return Policy.model_validate(self.tables)


NONE: frozenset[str] = frozenset()


def case(chance: Random, families: frozenset[str] = NONE) -> Case:
    """A policy with its visits, one after another."""
    if chance.random() < 0.02:
        return _weekend(chance)
    eve = chance.choice(EVES)
    tables = made_tables(chance, date(*eve), families - OF_DAYS)
    asks = tuple(_asks(chance, eve, chance.choice(PACES)))
    quiet_for_long_left_out(tables, [ask.now.wall for ask in asks[::8]])
    return Case(tables, frozenset(chance.choice(SINKS)), asks)


def made_tables(chance: Random, around: date, families: frozenset[str] = NONE) -> dict[str, Any]:
    """A policy, as TOML has it; of several families it has some, so that rules still take something."""
    families = frozenset(each for each in sorted(families) if len(families) == 1 or chance.random() < 0.4)
    made = Maker(chance, around, families)
    tables: dict[str, Any] = {
        "place": {**ALDER_ROW, "time_zone": chance.choice(ZONES)},
        "hours": {
            "quiet": made.windows(0.5),
            "when_quiet_ends": chance.choice(["send", "send", "summary"]),
        },
        "rule": [made.rule(number) for number in range(chance.randint(1, 4))],
    }
    if "pause" in families and chance.random() < 0.3:
        tables["pause"] = [{"name": "holidays", "dates": made.dates()}]
    if "sink" in families and chance.random() < 0.8:
        tables["sink"] = [made.sink(name) for name in chance.sample(["phone", "post"], chance.randint(1, 2))]
    return tables


def quiet_for_long_left_out(tables: dict[str, Any], walls: list[datetime]) -> None:
    """Without quiet hours that go on for weeks: where those end is not foreseen, and nobody wants them."""
    place = Place.model_validate(tables["place"])
    for table in (tables["hours"], *tables.get("sink", ())):
        windows = openings(table.get("quiet", ()))
        if any(end_of(windows, place, wall) - wall > FORESEEN for wall in walls):
            table["quiet"] = []


def _weekend(chance: Random) -> Case:
    """Days that are quiet as a whole and meet, with more visits than are held."""
    first = chance.randrange(7)
    days = [WEEK[(first + k) % 7] for k in range(chance.randint(1, 4))]
    tables = {
        "place": {**ALDER_ROW, "time_zone": chance.choice(ZONES)},
        "hours": {"quiet": [{"from": "00:00", "to": "24:00", "days": days}]},
        "rule": [{"name": "all", "visitor": "anything", "sure": 0.0, "cooldown_min": 0.0}],
    }
    return Case(tables, frozenset({"phone"}), tuple(_asks(chance, chance.choice(EVES), WEEKEND)))


@dataclass(frozen=True, slots=True)
class Maker:
    """Makes parts of a policy, with keys of `families`, for days around a date."""

    chance: Random
    around: date
    families: frozenset[str]

    def windows(self, given: float) -> list[dict[str, Any]]:
        chance, found = self.chance, list[dict[str, Any]]()
        while chance.random() < given and len(found) < 3:
            opens, closes = chance.choice(TIMES), chance.choice(TIMES)
            if chance.random() < 0.3:
                opens, closes = chance.choice(EDGES)
            if opens == closes or (opens, closes) == ("24:00", "00:00"):
                continue
            window: dict[str, Any] = {"from": opens, "to": closes}
            days = sorted(chance.sample(WEEK, chance.randint(1, 4)), key=WEEK.index)
            if chance.random() < 0.3:
                window["days"] = days
            if "dates" in self.families and chance.random() < 0.3:
                window["dates"] = self.dates()
            found.append(window)
        return found

    def dates(self) -> list[dict[str, str]]:
        return [self._range() for _ in range(self.chance.choice([1, 1, 2]))]

    def _range(self) -> dict[str, str]:
        """Often with an end near the days, and now and then over the end of a year."""
        chance = self.chance
        days = [self.around + timedelta(days=chance.choice([*range(-3, 6), -40, 40, 200])) for _ in range(2)]
        if chance.random() < 0.3:
            first, last = sorted(days)
            return {"from": first.isoformat(), "to": last.isoformat()}
        if chance.random() < 0.2:
            begins, ends = chance.choice([("29 Feb", "3 mar"), ("20 feb", "29 February"), ("1 MAR", "29 feb"),
                                           ("1 Nov", "15 Mar"), ("29 Feb", "29 feb")])  # fmt: skip
            return {"from": begins, "to": ends}
        begins, ends = (f"{day.day} {MONTHS[day.month - 1].title()}" for day in days)
        return {"from": begins, "to": ends}

    def rule(self, number: int) -> dict[str, Any]:
        chance = self.chance
        keys: dict[str, list[Any]] = {
            "sure": SURE,
            "shortest_stay_s": [0.0, 3.0, 8.0, 30.0],
            "cooldown_min": [0.0, 0.0, 1.0, 4.0, 10.0, 60.0, 1440.0],
            "cooldown_per": ["visitor", "rule"],
            "at_most_per_day": [1, 2, 3, 5],
            "at_most_per_hour": [1, 2, 3],
            "only_first_of_day": [True, False],
            "urgent": [True, False],
            "send_to": [["all"], ["phone"], ["post", "phone"], "phone", []],
        }
        of_families: dict[str, dict[str, list[Any]]] = {
            "new": {"new": ["ever", "year", "season"], "unseen_days": [1, 2, 3, 30]},
            "at_once": {"at_once": [2, 2, 3]},
            "visits_in_hour": {"visits_in_hour": [2, 2, 3, 4]},
            "still_here": {"still_here_min": [0.5, 0.5, 1.0]},
        }
        rule: dict[str, Any] = {
            "name": f"rule {number}",
            "visitor": chance.sample(WORDS, chance.randint(1, 3)),
            "hours": self.windows(0.25),
        }
        rule |= {key: chance.choice(values) for key, values in keys.items() if chance.random() < 0.4}
        for family, more in of_families.items():
            if family in self.families:
                rule |= {key: chance.choice(values) for key, values in more.items() if chance.random() < 0.3}
        if "dates" in self.families and chance.random() < 0.3:
            rule["dates"] = self.dates()
        return rule

    def sink(self, name: str) -> dict[str, Any]:
        chance = self.chance
        table: dict[str, Any] = {"name": name}
        if chance.random() < 0.6:
            table["quiet"] = self.windows(0.5)
        for key in ("at_most_per_hour", "at_most_per_day"):
            if chance.random() < 0.4:
                table[key] = chance.choice([1, 2, 3, 6])
        return table


def _asks(chance: Random, eve: tuple[int, int, int], pace: Pace) -> list[Ask]:
    """Visits one after another, each asked about a few times while it lasts and once when it is over."""
    wall = datetime(*eve, tzinfo=UTC) + timedelta(minutes=chance.randrange(0, 48 * 60, pace.grid_min))
    now, asks = Moment(wall, 7_000_000.0), []
    count = pace.most if pace is WEEKEND else chance.randint(1, pace.most)
    set_from = chance.choice([0, 0, 0, chance.randint(0, count), count])
    usual = chance.choice([WHO, WHO[:3], WHO[3:5]])
    for number in range(count):
        now = later(chance.choice(pace.gaps_s), now)
        for each in _visit(chance, number, now, chance.choice(usual), pace.stays_s):
            now = each.last_seen
            asks.append(Ask(each, now, number >= set_from))
    false_by = NEVER_SET - wall
    return [ask if ask.clock_set else _with_false_clock(ask, false_by) for ask in asks]


def _visit(
    chance: Random, number: int, start: Moment, who: tuple[str, str | None], lasts_s: tuple[float, ...]
) -> list[Visit]:
    group, species = who
    stays = sorted(chance.sample(lasts_s, min(len(lasts_s), chance.choice([1, 1, 2, 4]))))
    named_at = chance.choice([0, 0, 1])  # a species may be known only at the second look
    found = []
    for look, stay_s in enumerate(stays):
        known = species if look >= named_at else None
        sure = chance.choice(SURE)
        of_group = chance.choice([each for each in SURE if each >= sure]) if known else None
        seen = visit(
            group, known, SCIENTIFIC[known] if known else None, sure=sure, group_sure=of_group,
            stay_s=stay_s, start=start, number=number,
        )  # fmt: skip
        found.append(seen)
    if chance.random() < 0.8:
        found[-1] = replace(found[-1], end=found[-1].last_seen)
    return found


def _with_false_clock(ask: Ask, by: timedelta) -> Ask:
    def false(moment: Moment) -> Moment:
        return Moment(moment.wall + by, moment.mono_s)

    seen = ask.visit
    end = None if seen.end is None else false(seen.end)
    seen = replace(seen, start=false(seen.start), last_seen=false(seen.last_seen), end=end)
    return replace(ask, visit=seen, now=false(ask.now))
