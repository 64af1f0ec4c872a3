"""The README's words on rules as a second, deliberately simple program, without a state but lists.

It is compared with the engine in tests/properties/test_policy_second_reading.py. It keeps to what the page
says, takes the policy as the plain tables of the file, and knows windows by the clock only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WITH_SPECIES = ("bird", "animal")
SPECIAL = ("anything", "not sure", "something")
GROUPS = ("bird", "squirrel", "cat", "dog", "fox", "rabbit", "animal")


@dataclass(frozen=True)
class Seen:
    """A visit as it is at one moment."""

    group: str
    species: str | None
    sure: float  # of the species where there is one, else of the group
    group_sure: float
    stay_s: float
    over: bool

    @property
    def key(self) -> str:
        return self.species or self.group


@dataclass(frozen=True)
class Alert:
    """What was told before."""

    rule: str
    key: str
    at: datetime  # local


@dataclass(frozen=True)
class Past:
    """What came before and what is here besides: of visits that counted as seen key, certainty and date."""

    seen: Sequence[tuple[str, float, date]] = ()
    here: Sequence[tuple[datetime, Seen]] = ()  # settled and lasting, itself among them, and when each came
    over: Sequence[tuple[datetime, Seen]] = ()  # the visit itself among them where it is over


def in_dates(ranges: Sequence[Mapping[str, str]], day: date) -> bool:
    for each in ranges:
        for year in (day.year - 1, day.year):
            first, last = (
                datetime.strptime(f"{each[end]} {year}", "%d %b %Y").date()  # noqa: DTZ007  (a date)
                for end in ("from", "to")
            )
            if last < first:
                last = last.replace(year=year + 1)
            if first <= day <= last:
                return True
    return not ranges


def new_enough(rule: Mapping[str, Any], seen: Seen, today: date, past: Past) -> bool:
    days = [day for key, sure, day in past.seen if key == seen.key and sure >= rule.get("sure", 0.5)]
    same = {
        None: lambda _day: False,
        "ever": lambda _day: True,
        "year": lambda day: day.year == today.year,
        "season": lambda day: (day.year * 12 + day.month) // 3 == (today.year * 12 + today.month) // 3,
    }[rule.get("new")]
    if any(same(day) for day in days):
        return False
    return all(today - day >= timedelta(days=rule.get("unseen_days", 0)) for day in days)


def in_company(
    rule: Mapping[str, Any], seen: Seen, now: datetime, group_of: Mapping[str, str], past: Past
) -> bool:
    def mine(visits: Sequence[tuple[datetime, Seen]]) -> list[datetime]:
        return [came for came, each in visits if matching(rule, each, group_of)]

    if "at_once" in rule and (seen.over or len(mine(past.here)) < rule["at_once"]):
        return False
    lately = [came for came in mine([*past.here, *past.over]) if now - came < timedelta(hours=1)]
    return len(lately) >= rule.get("visits_in_hour", 0)


def is_open(windows: Sequence[Mapping[str, Any]], local: datetime) -> bool:
    for window in windows:
        for days_ago in (0, 1):
            midnight = local.replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=days_ago)
            if WEEK[midnight.weekday()] not in window.get("days", WEEK):
                continue
            start, end = midnight + of_day(window["from"]), midnight + of_day(window["to"])
            if end <= start:
                end += timedelta(days=1)
            if start <= local < end:
                return True
    return False


def of_day(text: str) -> timedelta:
    hours, minutes = text.split(":")
    return timedelta(hours=int(hours), minutes=int(minutes))


def matching(rule: Mapping[str, Any], seen: Seen, group_of: Mapping[str, str]) -> list[str]:
    """Those of the rule's names that mean this visitor."""
    found = []
    for name in rule["visitor"]:
        if seen.group == "something":
            fits = name == "something"
        elif name == "anything":
            fits = True
        elif name == "not sure":
            has_species = seen.group in WITH_SPECIES or any(
                group == seen.group and species != group for species, group in group_of.items()
            )
            fits = seen.species is None and has_species
        else:
            fits = name in (seen.group, seen.species)
        if fits:
            found.append(name)
    return found


def certain_enough(rule: Mapping[str, Any], seen: Seen, names: Sequence[str]) -> bool:
    if seen.group == "something":
        return True
    by_group = any(name in (*SPECIAL, seen.group) for name in names)
    return (seen.group_sure if by_group else seen.sure) >= rule.get("sure", 0.5)


def may_be_named(rule: Mapping[str, Any], seen: Seen, group_of: Mapping[str, str]) -> bool:
    if seen.species is not None or seen.group == "something":
        return False
    if seen.group == "animal":
        return any(name not in ("not sure", "something") for name in rule["visitor"])
    species = [name for name in rule["visitor"] if name not in (*SPECIAL, *GROUPS)]
    return any(group_of[name] == seen.group for name in species)


def verdict_of_rule(
    rule: Mapping[str, Any], seen: Seen, local: datetime, group_of: Mapping[str, str], past: Past
) -> str:
    """Whether the rule "takes" the visit, "may yet" take it, or has nothing to do with it: "no"."""
    if not in_dates(rule.get("dates", ()), local.date()):
        return "no"
    if rule.get("hours") and not is_open(rule["hours"], local):
        return "no"
    names = matching(rule, seen, group_of)
    early = not seen.over and seen.stay_s < 10 and seen.group != "something"
    if not names:
        return "may yet" if early and may_be_named(rule, seen, group_of) else "no"
    if not certain_enough(rule, seen, names):
        return "may yet" if early else "no"
    if seen.stay_s < rule.get("shortest_stay_s", 0):
        return "no" if seen.over or seen.group == "something" else "may yet"
    company = in_company(rule, seen, local, group_of, past)
    return "takes" if company and new_enough(rule, seen, local.date(), past) else "no"


def second_reading(
    policy: Mapping[str, Any],
    told: Sequence[Alert],
    seen: Seen,
    local: datetime,
    *,
    sinks: Sequence[str],
    group_of: Mapping[str, str],
    past: Past,
) -> tuple[str, str | None, tuple[str, ...]]:
    """What becomes of the visit: "told", "held" or "not told", by which rule, and to whom."""
    waits = False
    for rule in policy["rule"]:
        verdict = verdict_of_rule(rule, seen, local, group_of, past)
        if verdict == "takes":
            return ("not told", None, ()) if waits else by_rule(policy, rule, told, seen, local, sinks)
        waits = waits or verdict == "may yet"
    return "not told", None, ()


def by_rule(
    policy: Mapping[str, Any],
    rule: Mapping[str, Any],
    told: Sequence[Alert],
    seen: Seen,
    local: datetime,
    sinks: Sequence[str],
) -> tuple[str, str | None, tuple[str, ...]]:
    silent: tuple[str, str | None, tuple[str, ...]] = ("not told", rule["name"], ())
    wanted = rule.get("send_to", ["all"])
    to = tuple(sorted(sinks)) if "all" in wanted else tuple(sink for sink in wanted if sink in sinks)
    mine = [alert for alert in told if alert.rule == rule["name"]]
    of_visitor = [alert for alert in mine if alert.key == seen.key]
    cooling = of_visitor if rule.get("cooldown_per", "visitor") == "visitor" else mine
    cooldown = timedelta(minutes=rule.get("cooldown_min", 4))
    if not to or any(local - alert.at < cooldown for alert in cooling):
        return silent
    if rule.get("only_first_of_day") and any(alert.at.date() == local.date() for alert in of_visitor):
        return silent
    in_hour = sum(local - alert.at < timedelta(hours=1) for alert in mine)
    if in_hour >= rule.get("at_most_per_hour", 1000):
        return silent
    if sum(alert.at.date() == local.date() for alert in mine) >= rule.get("at_most_per_day", 40):
        return silent
    if is_open(policy["hours"]["quiet"], local) and not rule.get("urgent"):
        return "held", rule["name"], to
    return "told", rule["name"], to
