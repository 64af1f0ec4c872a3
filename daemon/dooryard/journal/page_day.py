"""What stands on the page of one day. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from dooryard.core.records import Outcome
from dooryard.core.wording import label, listed, sentence
from dooryard.history.entries import Entry
from dooryard.journal import counts, paths
from dooryard.journal.cards import VisitCard, card
from dooryard.journal.phrases import (
    clock,
    hours,
    long_date,
    many,
    minutes_from,
    rate,
    short_date,
    title_of,
)
from dooryard.policy.hours import Span, sun_times
from dooryard.policy.schema import Policy

_NOT_BEGUN = "not yet begun"  # as the box notes the first day's hours before its first start


@dataclass(frozen=True, slots=True)
class DayFacts:
    """What is known of a day beside its visits."""

    on: date | None  # None: the clock was not set
    watched: Sequence[Span] = ()
    until: datetime | None = None  # the day is not over: watched as far as this
    warmth: Sequence[tuple[str, float, float]] = ()  # sensor, least and most degrees Celsius
    off: Sequence[tuple[datetime, datetime | None, str]] = ()  # None: it goes on
    gate: Sequence[tuple[str, int]] = ()
    before: date | None = None
    after: date | None = None


@dataclass(frozen=True, slots=True)
class Who:
    """A visitor's line in the day's table."""

    title: str
    href: str
    visits: int
    first: str
    last: str
    at_once: int
    rate: str


@dataclass(frozen=True, slots=True)
class HeldBack:
    """A visit that was not told at once."""

    time: str
    who: str
    href: str
    why: str


@dataclass(frozen=True, slots=True)
class DayView:
    """The page. Links are relative to the journal's folder."""

    title: str
    heading: str
    lead: str
    facts: tuple[tuple[str, str], ...]
    who: tuple[Who, ...]
    cards: tuple[VisitCard, ...]
    held: tuple[HeldBack, ...]
    gate: tuple[tuple[str, int], ...]
    hidden: int
    before: tuple[str, str] | None
    after: tuple[str, str] | None
    picture: str | None


def day_view(entries: Sequence[Entry], facts: DayFacts, policy: Policy) -> DayView:
    """The page of one local date, from its entries in order of arrival."""
    zone = policy.place.zone
    counted = [entry for entry in entries if entry.counted]
    shown = [entry for entry in entries if not entry.said.hide]
    best = max((entry for entry in counted if entry.picture), key=lambda entry: entry.worth, default=None)
    heading = long_date(facts.on) if facts.on else "While the clock was not set"
    return DayView(
        title=f"{short_date(facts.on) if facts.on else heading} at {policy.place.name}",
        heading=heading,
        lead=lead(counted, facts, policy),
        facts=tuple(fact_list(counted, facts, policy)),
        who=tuple(who_came(counted, facts, policy)),
        cards=tuple(card(entry, zone) for entry in shown),
        held=tuple(_held_back(entry, policy) for entry in shown if entry.outcome is not Outcome.TELL),
        gate=tuple(facts.gate),
        hidden=len(entries) - len(shown),
        before=_link(facts.before),
        after=_link(facts.after),
        picture=paths.large_picture(best, zone) if best else None,
    )


def lead(counted: Sequence[Entry], facts: DayFacts, policy: Policy) -> str:
    """The day in a sentence or two."""
    if facts.on is None:
        return (
            "The box had started and did not know the time yet. These visits are in the order in which they "
            "were stored."
        )
    if not counted:
        return "Nobody came, as far as the box could see."
    kinds = len({entry.visitor.key for entry in counted})
    came = f"{sentence(many(len(counted), 'visit'))} by {many(kinds, 'kind')} of visitor."
    if len(counted) == 1:
        return f"{came} {sentence(_arrival(counted[0], policy))}."
    first, last = counted[0], counted[-1]
    return f"{came} First: {_arrival(first, policy)}. Last: {_arrival(last, policy)}."


def _arrival(entry: Entry, policy: Policy) -> str:
    return f"{label(entry.visitor)}, {clock(entry.start, policy.place.zone)}"


def fact_list(counted: Sequence[Entry], facts: DayFacts, policy: Policy) -> list[tuple[str, str]]:
    """Names and values of the day's facts; what is not known is left out."""
    if facts.on is None:
        return []
    zone, found = policy.place.zone, list[tuple[str, str]]()
    sun = sun_times(policy.place, facts.on)
    if sun is not None:
        found += [
            (
                name,
                clock(when, zone)
                if isinstance(when, datetime)
                else "none: the sun " + when.value + " the horizon",
            )
            for name, when in (("Sunrise", sun.sunrise), ("Sunset", sun.sunset))
        ]
    if counted and facts.on:
        found += _against_sun(counted, facts.on, policy)
    watched_s = counts.seconds(facts.watched)
    so_far = f" until {clock(facts.until, zone)}" if facts.until else ""
    found.append(("Watched", f"{hours(watched_s)}{so_far}"))
    per_h = counts.rate_per_h(len(counted), watched_s)
    if watched_s > 0:
        found.append(("Visits an hour of watching", rate(per_h, watched_s)))
    if counted:
        at_once = counts.most_at_once((entry.start, entry.last_seen) for entry in counted)
        found.append(("Most at once", str(at_once)))
    found += [(f"Temperature, {name}", _range(least, most)) for name, least, most in facts.warmth]
    found += [_off(clock(a, zone), clock(b, zone) if b else None, reason) for a, b, reason in facts.off]
    return found


def _off(start: str, end: str | None, reason: str) -> tuple[str, str]:
    """A time off; what came before the first start is none, but was not watched either."""
    if reason == _NOT_BEGUN:
        return "Not watched", f"{start} to {end}: before the box was set up"
    return "Off", f"{start} to {end}: {reason}" if end else f"since {start}: {reason}"


def _against_sun(counted: Sequence[Entry], on: date, policy: Policy) -> list[tuple[str, str]]:
    sun = counts.against_sun(policy.place, on, counted[0].start, counted[-1].start)
    found = []
    if sun.first_after_sunrise_min is not None:
        found.append(("First visit", minutes_from(sun.first_after_sunrise_min, "before", "after", "sunrise")))
    if sun.last_before_sunset_min is not None:
        found.append(("Last visit", minutes_from(-sun.last_before_sunset_min, "before", "after", "sunset")))
    return found


def _range(least: float, most: float) -> str:
    return f"{least:.0f} °C" if round(least) == round(most) else f"{least:.0f} to {most:.0f} °C"


def who_came(counted: Sequence[Entry], facts: DayFacts, policy: Policy) -> list[Who]:
    """A line for each visitor, the most frequent first."""
    zone, groups = policy.place.zone, dict[str, list[Entry]]()
    for entry in counted:
        groups.setdefault(entry.visitor.key, []).append(entry)
    watched_s = counts.seconds(facts.watched)
    lines = []
    for key, mine in sorted(groups.items(), key=lambda item: (-len(item[1]), item[0])):
        per_h = counts.rate_per_h(len(mine), watched_s) if facts.on else None
        dated = facts.on is not None
        lines.append(
            Who(
                title=title_of(mine[0].visitor),
                href=paths.visitor_page(key),
                visits=len(mine),
                first=clock(mine[0].start, zone) if dated else "not known",
                last=clock(mine[-1].start, zone) if dated else "not known",
                at_once=counts.most_at_once((entry.start, entry.last_seen) for entry in mine),
                rate=_rate(per_h, watched_s) if dated else "not known",
            )
        )
    return lines


def _rate(per_h: float | None, watched_s: float) -> str:
    """As `rate`, in the few words that a table has room for."""
    return "no rate yet" if per_h is None and watched_s > 0 else rate(per_h, watched_s)


def _held_back(entry: Entry, policy: Policy) -> HeldBack:
    shown = card(entry, policy.place.zone)
    return HeldBack(shown.time, shown.title, f"{shown.day_href}", shown.outcome_text)


def _link(day: date | None) -> tuple[str, str] | None:
    return (paths.day_page(day), short_date(day)) if day else None


def description(view: DayView) -> str:
    """For link previews: the lead and who came."""
    names = listed([f"{line.title.lower()} ({line.visits})" for line in view.who[:4]])
    return f"{view.lead} {sentence(names)}." if names else view.lead
