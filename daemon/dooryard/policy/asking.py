"""What a rule asks of a visit whose visitor it is for. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from dooryard.core.records import SOMETHING, Clause, Visitor
from dooryard.core.wording import date_text, percent_against, seconds_against, with_article
from dooryard.policy.case import Case
from dooryard.policy.company import enough
from dooryard.policy.dates import listed_dates, within
from dooryard.policy.hours import is_open
from dooryard.policy.naming import names_of
from dooryard.policy.newness import new_enough
from dooryard.policy.schema import Rule, plain_name


def asked(case: Case, rule: Rule) -> Iterator[Clause]:
    """What `rule` asks of a visit whose visitor it is for."""
    if rule.dates:
        yield _own_dates(case, rule)
    if rule.hours:
        yield _own_hours(case, rule)
    yield sure_enough(case, rule)
    stay_s = case.visit.stay_s
    if rule.shortest_stay_s > 0:
        so_far = "" if case.visit.end else " so far"
        stayed, asked = seconds_against(stay_s, rule.shortest_stay_s)
        yield Clause(
            "stay",
            stay_s >= rule.shortest_stay_s,
            f'stayed {stayed}{so_far}, and rule "{rule.name}" asks for {asked}',
        )
    if rule.at_once is not None or rule.visits_in_hour is not None:
        yield from enough(case, rule)
    if rule.new is not None or rule.unseen_days is not None:
        yield from new_enough(case, rule)


def sure_enough(case: Case, rule: Rule) -> Clause:
    if case.visit.visitor.group == SOMETHING:
        return Clause("sure", True, "the classifier was away, so nobody can be sure; that does not count")
    sure, of_what = certainty(case.visit.visitor, rule.visitor, case.group_of)
    known, asked = percent_against(sure, rule.sure)
    return Clause(
        "sure", sure >= rule.sure, f'{known} sure{of_what}, and rule "{rule.name}" asks for {asked}'
    )


def certainty(visitor: Visitor, wanted: Collection[str], group_of: Mapping[str, str]) -> tuple[float, str]:
    """How certain it is that `visitor` is one of `wanted`.

    That is the group's certainty, unless only its species is wanted. With it the words that say of what it
    is, where the two differ.
    """
    if visitor.species is None or visitor.group_sure is None:
        return visitor.sure, ""
    by_species = {plain_name(name) for name in (visitor.species, visitor.scientific) if name}
    by_group = (names_of(visitor, group_of) - by_species) | {plain_name(visitor.group)}
    if by_group.isdisjoint(wanted):
        return visitor.sure, f" of {with_article(visitor.species)}"
    return visitor.group_sure, f" of {with_article(visitor.group)}"


def is_its_time(case: Case, rule: Rule) -> bool:
    """Whether the dates and the hours of `rule` are open."""
    return (not rule.dates or _own_dates(case, rule).passed) and (
        not rule.hours or _own_hours(case, rule).passed
    )


def _own_dates(case: Case, rule: Rule) -> Clause:
    if not case.clock_set:
        return Clause("dates", True, f'the clock is not set, so the dates of rule "{rule.name}" don\'t count')
    today = case.now.wall.astimezone(case.policy.place.zone).date()
    open_now = within(rule.dates, today)
    return Clause(
        "dates",
        open_now,
        f'{date_text(today)} is {"" if open_now else "not "}within the dates of rule "{rule.name}": '
        f"{listed_dates(rule.dates)}",
    )


def _own_hours(case: Case, rule: Rule) -> Clause:
    if not case.clock_set:
        return Clause("hours", True, f'the clock is not set, so the hours of rule "{rule.name}" don\'t count')
    within = is_open(rule.hours, case.policy.place, case.now.wall)
    return Clause("hours", within, f'it is {"" if within else "not "}within the hours of rule "{rule.name}"')
