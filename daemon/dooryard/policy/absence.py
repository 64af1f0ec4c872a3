"""That nobody came: what each [[absence]] remembers, and when it is told and over. Pure.

Three things happen to it: a frame came (`watched`), a visit counts as seen (`came`), and time passes
(`advance`, about once a minute). An absence is told once; it is over when one comes, and only then can
it be told again.

Hours of watching are counted by monotonic time, from frame to frame, so a step of the wall clock changes
none of them. What belongs to a date (who came since midnight, how long the box watched) is kept with that
date, and only while the clock is set.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from dooryard.core.records import SOMETHING, Absent, Moment, Visit, Visitor
from dooryard.policy.asking import certainty
from dooryard.policy.hours import time_on
from dooryard.policy.naming import names_of
from dooryard.policy.schema import WEEK, Absence, Place
from dooryard.policy.times import TimeOfDay

EVERY_S = 60.0  # how often `advance` looks
LONGEST_GAP_S = 60.0  # between two frames; in a longer one nobody watched
LEAST_WATCHED_S = 3600.0 - EVERY_S  # of a date: an hour, as far as it is known by looking every minute
_DAY = timedelta(days=1)
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Day:
    """What is known of one local date."""

    on: str  # "2026-06-14"
    watched_s: float = 0.0  # since its midnight, up to the time of `by`
    came: bool = False
    looked: bool = False


@dataclass(frozen=True, slots=True)
class AbsenceState:
    """What one absence remembers."""

    asks: str  # for whom and until when: another request under the same name begins again
    seed: str  # of the ids of its messages
    number: int = 0  # how often it was told
    told: bool = False
    watched_s: float = 0.0  # since one came last, or since the policy has it
    since: str = ""  # when that was, ISO 8601; "": the clock was not set
    came: bool = False  # whether one came at `since`
    days: tuple[Day, ...] = ()  # yesterday and today, as far as there is something to know

    @property
    def since_wall(self) -> datetime | None:
        return datetime.fromisoformat(self.since) if self.since else None


@dataclass(frozen=True, slots=True)
class Absences:
    """What all of them remember."""

    waits: Mapping[str, AbsenceState] = field(default_factory=dict)  # by the absence's name
    frame_s: float = -math.inf  # when a frame came last
    fresh_s: float = 0.0  # watched since `advance` looked last
    looked_s: float = -math.inf  # when that was


def watched(state: Absences, now_s: float) -> Absences:
    """A frame came while the box watches."""
    gap_s = now_s - state.frame_s
    fresh_s = state.fresh_s + (gap_s if 0 < gap_s <= LONGEST_GAP_S else 0.0)
    return replace(state, frame_s=now_s, fresh_s=fresh_s)


def came(
    absences: Iterable[Absence],
    state: Absences,
    visits: Iterable[Visit],
    now: Moment,
    *,
    place: Place,
    clock_set: bool,
    group_of: Mapping[str, str],
    salt: bytes,
) -> tuple[Absences, tuple[Absent, ...]]:
    """`visits` count as seen. Returns which absences are over because of them.

    While the clock is not set nothing is known of dates, so an absence by a time of day goes on.
    """
    waits = _known(absences, state.waits, now, clock_set, salt)
    told: list[Absent] = []
    for absence in absences:
        who = next((v.visitor for v in visits if is_awaited(absence, v.visitor, group_of)), None)
        if who is None or (absence.by is not None and not clock_set):
            continue
        wait = waits[absence.name]
        if wait.told and absence.when_over:
            told.append(_absent(absence, wait, over=True, visitor=who))
        waits[absence.name] = _after_coming(wait, now, place, clock_set)
    return replace(state, waits=waits), tuple(told)


def is_awaited(absence: Absence, visitor: Visitor, group_of: Mapping[str, str]) -> bool:
    """Whether `absence` is about `visitor`, and that is certain enough."""
    if names_of(visitor, group_of).isdisjoint(absence.visitor):
        return False
    sure = certainty(visitor, absence.visitor, group_of)[0]
    return visitor.group == SOMETHING or sure >= absence.sure


def advance(
    absences: Iterable[Absence],
    state: Absences,
    now: Moment,
    *,
    place: Place,
    clock_set: bool,
    salt: bytes,
) -> tuple[Absences, tuple[Absent, ...]]:
    """Let time pass: count what was watched, and tell of what is due."""
    waits = _known(absences, state.waits, now, clock_set, salt)
    told: list[Absent] = []
    for absence in absences:
        wait = waits[absence.name]
        wait = replace(wait, watched_s=wait.watched_s + state.fresh_s)
        due: datetime | None = None
        if absence.by is None:
            is_due = _hours_are_over(absence, wait, now, place, clock_set)
        else:
            wait, due = _looked_at(absence.by, absence, wait, state.fresh_s, now, place, clock_set)
            is_due = due is not None and not wait.told
        if is_due:
            wait = replace(wait, told=True, number=wait.number + 1)
            told.append(_absent(absence, wait, over=False, by=due))
        waits[absence.name] = wait
    return replace(state, waits=waits, fresh_s=0.0, looked_s=now.mono_s), tuple(told)


def what_was_told(state: Absences) -> object:
    """What a restart must not forget at once; it changes seldom, and the seconds that were watched do not."""
    return {
        name: (wait.number, wait.told, wait.since, [(day.on, day.came, day.looked) for day in wait.days])
        for name, wait in state.waits.items()
    }


def _known(
    absences: Iterable[Absence], waits: Mapping[str, AbsenceState], now: Moment, clock_set: bool, salt: bytes
) -> dict[str, AbsenceState]:
    """The waits of the policy's absences: those that were, and new ones for what is asked for now."""
    found = {}
    for absence in absences:
        asks = f"{', '.join(absence.visitor)}; {absence.sure:g}; {absence.by}; {absence.after_h}"
        wait = waits.get(absence.name)
        if wait is None or wait.asks != asks:
            seed = hashlib.sha256(salt + f"{absence.name}\n{asks}\n{now.mono_s}".encode()).hexdigest()[:24]
            wait = AbsenceState(asks, seed, since=now.wall.isoformat() if clock_set else "")
        found[absence.name] = wait
    return found


def _after_coming(wait: AbsenceState, now: Moment, place: Place, clock_set: bool) -> AbsenceState:
    days = wait.days
    if clock_set:
        days = tuple(replace(day, came=True) for day in _two_days(wait, _today(place, now)))
    since = now.wall.isoformat() if clock_set else ""
    return replace(wait, told=False, watched_s=0.0, since=since, came=True, days=days)


def _hours_are_over(absence: Absence, wait: AbsenceState, now: Moment, place: Place, clock_set: bool) -> bool:
    if wait.told or absence.after_h is None or wait.watched_s < absence.after_h * _HOUR_S:
        return False
    return not absence.dates or (clock_set and _is_within(absence, _today(place, now)))


def _looked_at(
    by: TimeOfDay,
    absence: Absence,
    wait: AbsenceState,
    fresh_s: float,
    now: Moment,
    place: Place,
    clock_set: bool,
) -> tuple[AbsenceState, datetime | None]:
    """Look at each date whose time has come; with the time of one on which none came.

    That of a date may be after its midnight ("24:00", "sunset+6h" in the far north), so yesterday's is looked
    for as well.
    """
    if not clock_set:
        return wait, None
    today, due, days = _today(place, now), None, []
    for day in _two_days(wait, today):
        on = date.fromisoformat(day.on)
        at = time_on(place, by, on)
        if not day.looked and now.wall - timedelta(seconds=fresh_s) < at:
            day = replace(day, watched_s=day.watched_s + fresh_s)  # noqa: PLW2901
        if not day.looked and at <= now.wall and at.astimezone(place.zone).date() == today:
            day = replace(day, looked=True)  # noqa: PLW2901
            if is_on(absence, on) and not day.came and day.watched_s >= LEAST_WATCHED_S:
                due = at
        days.append(day)
    return replace(wait, days=tuple(days)), due


def _two_days(wait: AbsenceState, today: date) -> tuple[Day, ...]:
    """Yesterday and today as they are known."""
    known = {day.on: day for day in wait.days}
    wanted = ((today - _DAY).isoformat(), today.isoformat())
    return tuple(known.get(on) or Day(on) for on in wanted)


def is_on(absence: Absence, day: date) -> bool:
    """Whether an absence with `by` is told on the local date `day`."""
    return WEEK[day.weekday()] in absence.days and _is_within(absence, day)


def _is_within(absence: Absence, day: date) -> bool:
    return not absence.dates or any(day in each for each in absence.dates)


def _today(place: Place, now: Moment) -> date:
    return now.wall.astimezone(place.zone).date()


def _absent(
    absence: Absence,
    wait: AbsenceState,
    *,
    over: bool,
    by: datetime | None = None,
    visitor: Visitor | None = None,
) -> Absent:
    """The message. Its id is of how often it was told: told twice by a power cut, it has the same."""
    return Absent(
        id=f"absence-{wait.seed}-{wait.number}" + ("-over" if over else ""),
        absence=absence.name,
        over=over,
        since=wait.since_wall,
        came=wait.came,
        by=by,
        visitor=visitor,
    )
