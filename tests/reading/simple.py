"""A second reading of the rules, written from the owner's words alone (policies/README.md, README.md).

It knows nothing of how the engine decides and shares none of its code: no state that is carried in a
smart way, no sentence, no speed. Whoever changes what a key means changes the words first, then the two
readings, each by itself. `Reader` decides on one visit, `Box` on all that come and go.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from dooryard.core.records import Moment, Outcome, Visit, Visitor
from dooryard.policy.schema import Place, Rule
from reading.dates import Dates, any_holds, ranges, season_began
from reading.windows import Opening, end_of, openings, within

HOUR_S = 3600.0
DAY_S = 25 * HOUR_S  # "for 25 hours", whatever is not known to be of a certain day
NAME_WAIT_S = 10.0  # "in its first ten seconds"
MOST_HELD = 12  # "12 alerts at most"
NEW_RULE_KEYS = {"hours", "dates", "new", "unseen_days", "at_once", "visits_in_hour", "still_here_min"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What an owner would notice of a decision."""

    outcome: Outcome
    rule: str | None = None
    sinks: frozenset[str] = frozenset()  # all that get it, those among them that get it later


NOBODY_TAKES_IT = Answer(Outcome.SILENT)


@dataclass(frozen=True, slots=True)
class Told:
    """An alert that went out at once."""

    rule: str
    who: str
    mono_s: float
    on: date | None  # None: the clock was not set
    sinks: frozenset[str]  # those that it went to at once


@dataclass(frozen=True, slots=True)
class Seen:
    """That a visit counted as seen."""

    who: str
    sure: float
    on: date


@dataclass(frozen=True, slots=True)
class Asks:
    """A rule with all of its keys."""

    rule: Rule
    hours: tuple[Opening, ...]
    dates: tuple[Dates, ...]
    new: str | None
    unseen_days: int | None
    at_once: int | None
    visits_in_hour: int | None
    still_here_min: float | None


@dataclass(frozen=True, slots=True)
class Sink:
    """What a sink has of its own; `quiet` None: it goes by [hours]."""

    quiet: tuple[Opening, ...] | None = None
    at_most_per_hour: int | None = None
    at_most_per_day: int | None = None


@dataclass(frozen=True, slots=True)
class Around:
    """What holds while a visit is decided on, beside the visit."""

    now: Moment
    clock_set: bool
    muted_until: datetime | None = None
    lasting: Sequence[Visit] = ()  # those that settled and are not over
    over: Sequence[Visit] = ()


@dataclass(slots=True)
class Reader:
    """Decides on visits in the order in which it is asked, and remembers all that it ever told."""

    tables: Mapping[str, Any]  # the policy as TOML has it
    sinks: Collection[str]
    group_of: Mapping[str, str]  # species -> group
    told: list[Told] = field(default_factory=list)
    held: list[tuple[str | None, datetime]] = field(default_factory=list)  # whose quiet hours, their end
    seen: list[Seen] = field(default_factory=list)
    place: Place = field(init=False)
    quiet: tuple[Opening, ...] = field(init=False)
    rules: list[Asks] = field(init=False)
    own: dict[str, Sink] = field(init=False)
    pauses: tuple[Dates, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.place = Place.model_validate(self.tables["place"])
        self.quiet = openings(self.tables["hours"]["quiet"])
        self.rules = [_asks(table) for table in self.tables["rule"]]
        self.own = {table["name"]: _sink(table) for table in self.tables.get("sink", ())}
        self.pauses = tuple(each for pause in self.tables.get("pause", ()) for each in ranges(pause["dates"]))

    def answer(self, visit: Visit, around: Around) -> Answer:
        """Decide on `visit` as it stands."""
        for number, asks in enumerate(self.rules):
            if self._takes(asks, visit, around):
                if any(self._may_yet_take(each, visit, around) for each in self.rules[:number]):
                    return NOBODY_TAKES_IT
                return self._of_rule(asks.rule, visit, around)
        return NOBODY_TAKES_IT

    def count_as_seen(self, visitor: Visitor, around: Around) -> None:
        if around.clock_set:
            self.seen.append(Seen(visitor.key, visitor.sure, self._date(around)))

    def _takes(self, asks: Asks, visit: Visit, around: Around) -> bool:
        rule = asks.rule
        return (
            any(each >= rule.sure for each in certainties(rule, visit.visitor, self.group_of))
            and self._open(asks, around)
            and visit.stay_s >= rule.shortest_stay_s
            and self._enough_at_once(asks, visit, around)
            and self._enough_in_hour(asks, visit, around)
            and self._new(asks, visit, around)
        )

    def _open(self, asks: Asks, around: Around) -> bool:
        """Whether its dates and its hours are open, as far as anybody knows what time it is."""
        if not around.clock_set:
            return True
        of_the_year = not asks.dates or any_holds(asks.dates, self._date(around))
        return of_the_year and (not asks.hours or within(asks.hours, self.place, around.now.wall))

    def _named(self, asks: Asks, visits: Iterable[Visit]) -> list[Visit]:
        """Those of the visits that are of the rule's visitors, however certain."""
        return [each for each in visits if certainties(asks.rule, each.visitor, self.group_of)]

    def _enough_at_once(self, asks: Asks, visit: Visit, around: Around) -> bool:
        if asks.at_once is None:
            return True
        return visit.end is None and len(self._named(asks, around.lasting)) >= asks.at_once

    def _enough_in_hour(self, asks: Asks, visit: Visit, around: Around) -> bool:
        """Whether so many began in the last hour, this one among them, whichever came first."""
        if asks.visits_in_hour is None:
            return True
        others = [each for each in (*around.lasting, *around.over) if each.id != visit.id]
        lately = [each for each in (*others, visit) if around.now.mono_s - each.start.mono_s < HOUR_S]
        return visit in lately and len(self._named(asks, lately)) >= asks.visits_in_hour

    def _new(self, asks: Asks, visit: Visit, around: Around) -> bool:
        if asks.new is None and asks.unseen_days is None:
            return True
        if not around.clock_set:
            return False
        today = self._date(around)
        days = [
            each.on for each in self.seen if each.who == visit.visitor.key and each.sure >= asks.rule.sure
        ]
        since = {
            None: date.max,
            "ever": date.min,
            "year": date(today.year, 1, 1),
            "season": season_began(today),
        }
        if any(day >= since[asks.new] for day in days):
            return False
        return asks.unseen_days is None or not days or (today - max(days)).days >= asks.unseen_days

    def _may_yet_take(self, asks: Asks, visit: Visit, around: Around) -> bool:
        if visit.end is not None or not self._open(asks, around):
            return False
        if visit.visitor.group == "something":
            return False
        certain = certainties(asks.rule, visit.visitor, self.group_of)
        if any(each >= asks.rule.sure for each in certain):
            return visit.stay_s < asks.rule.shortest_stay_s
        return visit.stay_s < NAME_WAIT_S and (bool(certain) or self._may_turn_out_as(asks.rule, visit))

    def _may_turn_out_as(self, rule: Rule, visit: Visit) -> bool:
        """Whether a visit of no species yet may get a name that the rule has."""
        who = visit.visitor
        if who.group == "animal":
            return not {"not sure", "something"}.issuperset(rule.visitor)
        return who.species is None and any(self.group_of.get(name) == who.group for name in rule.visitor)

    def _of_rule(self, rule: Rule, visit: Visit, around: Around) -> Answer:
        """What the rule that took the visit says of it."""
        sinks = set(self.sinks) if "all" in rule.send_to else set(rule.send_to) & set(self.sinks)
        if self._bounded(rule, visit, around):
            sinks = set()
        if not rule.urgent:
            sinks = {sink for sink in sinks if not self._at_limit(sink, around)}
        if not sinks:
            return Answer(Outcome.SILENT, rule.name)
        if not rule.urgent and around.clock_set and self._paused(around):
            return Answer(Outcome.HOLD, rule.name)
        quiet: dict[str, tuple[str | None, datetime]] = {}
        if not rule.urgent and around.clock_set:
            quiet = {sink: stretch for sink in sinks if (stretch := self._quiet(sink, around.now.wall))}
        later = set[str]()
        if self.tables["hours"].get("when_quiet_ends", "send") == "send":
            later = {sink for sink, stretch in quiet.items() if self.held.count(stretch) < MOST_HELD}
        self.held.extend({quiet[sink] for sink in later})
        at_once = sinks - set(quiet)
        if not at_once:
            return Answer(Outcome.HOLD, rule.name, frozenset(later))
        on = self._date(around) if around.clock_set else None
        self.told.append(Told(rule.name, visit.visitor.key, around.now.mono_s, on, frozenset(at_once)))
        return Answer(Outcome.TELL, rule.name, frozenset(at_once | later))

    def _bounded(self, rule: Rule, visit: Visit, around: Around) -> bool:
        """Whether its cooldown or one of its caps speaks against it."""
        now = around.now
        of_rule = [each for each in self.told if each.rule == rule.name]
        of_visitor = [each for each in of_rule if each.who == visit.visitor.key]
        today = [each for each in of_rule if self._same_day(each, around)]
        of_cooldown = of_rule if rule.cooldown_per == "rule" else of_visitor
        in_an_hour = [each for each in of_rule if now.mono_s - each.mono_s < HOUR_S]
        return (
            any(now.mono_s - each.mono_s < rule.cooldown_min * 60 for each in of_cooldown)
            or (rule.only_first_of_day and any(each in today for each in of_visitor))
            or len(today) >= rule.at_most_per_day
            or (rule.at_most_per_hour is not None and len(in_an_hour) >= rule.at_most_per_hour)
        )

    def _at_limit(self, sink: str, around: Around) -> bool:
        own = self.own.get(sink, Sink())
        sent = [each for each in self.told if sink in each.sinks]
        in_an_hour = [each for each in sent if around.now.mono_s - each.mono_s < HOUR_S]
        today = [each for each in sent if self._same_day(each, around)]
        return (own.at_most_per_hour is not None and len(in_an_hour) >= own.at_most_per_hour) or (
            own.at_most_per_day is not None and len(today) >= own.at_most_per_day
        )

    def _paused(self, around: Around) -> bool:
        muted = around.muted_until is not None and around.now.wall < around.muted_until
        return muted or any_holds(self.pauses, self._date(around))

    def _quiet(self, sink: str, wall: datetime) -> tuple[str | None, datetime] | None:
        """The stretch of quiet hours that the sink is in: whose they are (None: the box's), and their end."""
        own = self.own.get(sink, Sink()).quiet
        windows = self.quiet if own is None else own
        if not within(windows, self.place, wall):
            return None
        return (None if own is None else sink), end_of(windows, self.place, wall)

    def _same_day(self, told: Told, around: Around) -> bool:
        """Whether it was told on the local day of `now`; in 25 hours where either day is not known."""
        if not around.clock_set or told.on is None:
            return around.now.mono_s - told.mono_s < DAY_S
        return told.on == self._date(around)

    def _date(self, around: Around) -> date:
        return around.now.wall.astimezone(self.place.zone).date()


@dataclass(frozen=True, slots=True)
class Still:
    """One more message: this visit is still here."""

    visit: str
    sinks: frozenset[str]


@dataclass(slots=True)
class Box:
    """All visits that come and go, and what becomes of each."""

    reader: Reader
    lasting: dict[str, Visit] = field(default_factory=dict)
    over: list[Visit] = field(default_factory=list)
    final: dict[str, Answer] = field(default_factory=dict)
    said_still: set[str] = field(default_factory=set)

    def moment(
        self,
        around: Around,
        settled: Sequence[Visit] = (),
        ended: Sequence[Visit] = (),
        gone: Sequence[Visit] = (),
    ) -> list[tuple[str, Answer] | Still]:
        """What is decided for good, and what else is said; `gone` was nobody, or part of another visit."""
        self.lasting |= {visit.id: visit for visit in settled}
        for visit in (*ended, *gone):
            self.lasting.pop(visit.id, None)
        self.over += ended
        around = Around(
            around.now, around.clock_set, around.muted_until, list(self.lasting.values()), self.over
        )
        said: list[tuple[str, Answer] | Still] = []
        for visit in (*settled, *ended):
            if visit.id in self.final:
                said += self._told_already(visit, around)
                continue
            answer = self.reader.answer(visit, around)
            if visit.end is not None or answer.outcome is not Outcome.SILENT:
                self.final[visit.id] = answer
                self.reader.count_as_seen(visit.visitor, around)
                said.append((visit.id, answer))
        return said

    def _told_already(self, visit: Visit, around: Around) -> list[Still]:
        answer = self.final[visit.id]
        if visit.end is not None:
            self.reader.count_as_seen(visit.visitor, around)
            return []
        after_min = next(each.still_here_min for each in self.reader.rules if each.rule.name == answer.rule)
        if answer.outcome is not Outcome.TELL or after_min is None or visit.id in self.said_still:
            return []
        if visit.stay_s < after_min * 60:
            return []
        self.said_still.add(visit.id)
        return [Still(visit.id, answer.sinks)]


def certainties(rule: Rule, who: Visitor, group_of: Mapping[str, str]) -> list[float]:
    """How certain it is that the rule means this visitor, once for each of its words that does."""
    of_group = who.sure if who.group_sure is None else who.group_sure
    names_of_species = {name.casefold() for name in (who.species, who.scientific) if name}
    could_be_told = who.species is None and who.group in group_of.values()
    not_sure = could_be_told or who.group == "animal"
    found = []
    for word in rule.visitor:
        if who.group == "something":
            found += [1.0] if word == "something" else []  # no certainty is asked for
        elif word in ("anything", who.group) or (word == "not sure" and not_sure):
            found.append(of_group)
        elif word in names_of_species:
            found.append(who.sure)
    return found


def _asks(table: Mapping[str, Any]) -> Asks:
    return Asks(
        Rule.model_validate({key: value for key, value in table.items() if key not in NEW_RULE_KEYS}),
        openings(table.get("hours", ())),
        ranges(table.get("dates", ())),
        table.get("new"),
        table.get("unseen_days"),
        table.get("at_once"),
        table.get("visits_in_hour"),
        table.get("still_here_min"),
    )


def _sink(table: Mapping[str, Any]) -> Sink:
    own = table.get("quiet")
    return Sink(
        None if own is None else openings(own), table.get("at_most_per_hour"), table.get("at_most_per_day")
    )
