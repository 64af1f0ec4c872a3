"""What an alert and a summary say, and when the summary is due. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from dooryard.core.records import SOMETHING, Alert, Decision, Moment, Outcome, Visit
from dooryard.core.wording import duration, how_sure, sentence, spoken, with_article
from dooryard.policy.case import sinks_for
from dooryard.policy.hours import time_on
from dooryard.policy.local_time import local_day, local_time
from dooryard.policy.rule import Rule
from dooryard.policy.schema import Policy
from dooryard.policy.still_here import rule_of, stayed_s
from dooryard.policy.times import TimeOfDay

CLOCK_NOT_SET = "The box's clock was not set, so the time is not known."
_DAY = timedelta(days=1)
_FIRST_SUMMARY = timedelta(hours=1)  # a new box that starts later than this after its time waits a day


@dataclass(frozen=True, slots=True)
class DayVisit:
    """A visit as a summary needs it."""

    visitor: str  # words.label of the visitor
    start: datetime  # aware
    outcome: Outcome
    muted: bool = False  # held by a pause or a mute


def alert_for(
    policy: Policy,
    visit: Visit,
    decision: Decision,
    now: Moment,
    clock_set: bool,
    *,
    alert_id: str | None = None,
    picture: str | None = None,
) -> Alert:
    """What to tell of `visit`, by a decision to tell it.

    Its id is the visit's if none is given, its time that of the arrival, or `now` while the clock isn't set.
    """
    rule = rule_of(policy, decision)
    where = f"{_followed(spoken(visit.visitor))} at {policy.place.name}"
    arrival = visit.start.wall
    return Alert(
        id=alert_id or visit.id,
        kind="visit",
        wall=arrival if clock_set else now.wall,
        clock_set=clock_set,
        title=sentence(f"{where}, {local_time(policy, arrival)}" if clock_set else where),
        text=_text(policy, visit, clock_set),
        sinks=decision.sinks,
        visit=visit.id,
        visitor=visit.visitor,
        picture=picture if rule is None or rule.with_picture else None,
        urgent=rule is not None and rule.urgent,
    )


def still_here_alert(
    policy: Policy, visit: Visit, decision: Decision, now: Moment, clock_set: bool, *, picture: str | None
) -> Alert:
    """What to tell of `visit`, which was told by `decision`, when it still lasts; see `policy.still_here`.

    Its id is the visit's with "-still" after it, its time is `now`. Raises ValueError where the policy has
    no longer a rule that asks for it.
    """
    rule = _asking(policy, decision)
    said = still_here(policy, visit, decision)
    came = f" It came {local_day(policy, visit.start.wall)} at {local_time(policy, visit.start.wall)}."
    return Alert(
        id=f"{visit.id}-still",
        kind="visit",
        wall=now.wall,
        clock_set=clock_set,
        title=f"{said}, {policy.place.name}",
        text=f"{said}.{came if clock_set else f' {CLOCK_NOT_SET}'}",
        sinks=decision.sinks,
        visit=visit.id,
        visitor=visit.visitor,
        picture=picture if rule.with_picture else None,
        urgent=rule.urgent,
    )


def still_here(policy: Policy, visit: Visit, decision: Decision) -> str:
    """Text like "The cat is still here after 10 min"."""
    visitor, stayed = visit.visitor, duration(stayed_s(_asking(policy, decision), visit))
    who = f"The {with_article(visitor.species or visitor.group).partition(' ')[2]}"
    return f"{'What moved' if visitor.group == SOMETHING else who} is still here after {stayed}"


def _asking(policy: Policy, decision: Decision) -> Rule:
    rule = rule_of(policy, decision)
    if rule is None:
        raise ValueError(f"the policy has no rule {decision.rule!r}; ask `is_still_here` first")
    return rule


def _followed(name: str) -> str:
    """`name`, ready to be followed by more: a comma closes what a comma opened."""
    return f"{name}," if "," in name else name


def _text(policy: Policy, visit: Visit, clock_set: bool) -> str:
    visitor = visit.visitor
    unknown = visitor.group == SOMETHING
    who = spoken(visitor) if unknown else with_article(visitor.species or visitor.group)
    latin = f" ({visitor.scientific})" if visitor.scientific and visitor.species else ""
    stay = f"{'stayed' if visit.end else 'has stayed'} {duration(visit.stay_s)}"
    if not clock_set:
        return f"{sentence(who)}{latin}, {how_sure(visitor)}; {stay}. {CLOCK_NOT_SET}"
    came = f"came {local_day(policy, visit.start.wall)} at {local_time(policy, visit.start.wall)}"
    return f"{sentence(who)}{latin}, {how_sure(visitor)}; {came}, {stay}."


def summary_due(policy: Policy, last: datetime | None, wall: datetime) -> bool:
    """Whether the time of a summary has passed since the `last` one.

    Call it only while the clock is set. A `last` more than a day in the future comes of a wrong clock
    and counts as none.
    """
    return bool(policy.summary.send_to) and summary_due_at(policy, policy.summary.at, last, wall)


def summary_due_at(policy: Policy, at: TimeOfDay | None, last: datetime | None, wall: datetime) -> bool:
    """As `summary_due`, by the time `at` of each day; None: never."""
    if at is None:
        return False
    today = wall.astimezone(policy.place.zone).date()
    # A sunset of two dates ago may be the newest, just after a midnight that comes before the sunset.
    times = (time_on(policy.place, at, today + k * _DAY) for k in range(-2, 2))
    newest = max(time for time in times if time <= wall)
    if last is None or last > wall + _DAY:
        return wall - newest < _FIRST_SUMMARY
    return last < newest


def summary_alert(
    policy: Policy,
    visits: Sequence[DayVisit],
    now: Moment,
    sinks: frozenset[str],
    alert_id: str | None = None,
    sink: str | None = None,
) -> Alert:
    """One message on `visits`, all since the last summary. Its id is of the date if none is given.

    `sink`: it goes to that one alone; None: to those of [summary] that are among `sinks`.
    """
    day = now.wall.astimezone(policy.place.zone).date().isoformat()
    count = "no visits" if not visits else "1 visit" if len(visits) == 1 else f"{len(visits)} visits"
    return Alert(
        id=alert_id or (f"summary-{day}" if sink is None else f"summary-{day}-for-{sink}"),
        kind="summary",
        wall=now.wall,
        clock_set=True,
        title=f"{policy.place.name}, {local_day(policy, now.wall)}: {count}",
        text=_summary_text(policy, visits),
        sinks=sinks_for(policy.summary.send_to, sinks) if sink is None else (sink,),
    )


def _summary_text(policy: Policy, visits: Sequence[DayVisit]) -> str:
    """One line a visitor, the most frequent first."""
    if not visits:
        return "Nobody came since the last summary."
    by_visitor: defaultdict[str, list[DayVisit]] = defaultdict(list)
    for visit in visits:
        by_visitor[visit.visitor].append(visit)
    ordered = sorted(by_visitor.items(), key=lambda item: (-len(item[1]), item[0]))
    return "\n".join(_summary_line(policy, name, group) for name, group in ordered)


def _summary_line(policy: Policy, name: str, visits: Sequence[DayVisit]) -> str:
    starts = sorted(visit.start for visit in visits)
    first, last = (local_time(policy, start) for start in (starts[0], starts[-1]))
    when = f"at {first}" if len(starts) == 1 else f"{len(starts)} times, {first} to {last}"
    told, held = (sum(v.outcome is kind for v in visits) for kind in (Outcome.TELL, Outcome.HOLD))
    muted = sum(v.muted for v in visits)
    words = ((told, "sent"), (held - muted, "held in quiet hours"), (muted, "held by a pause or a mute"))
    notes = [f"{n} {word}" for n, word in words if n]
    return f"{sentence(name)}: {when}" + (f" ({', '.join(notes)})" if notes else "")
