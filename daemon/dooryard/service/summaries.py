"""The day's summary: when it is due, and which visits it is of. Edge.

A summary is of all visits that were stored since the one before, in the order of storing. By when they
began, one that lasted over the summary, or that the disk refused for a while, would be in none.

What is about to be told is written down first: a summary that the power cut short is told again under
its own id, with the same visits, and whatever was stored meanwhile is left for the next.

All sinks that have one summary get the same, at one hour. A sink that the policy gives an hour of its own has
a mark of its own from then on, even where that is taken back: so each visit is once in what each is told.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from dooryard.core.records import Moment, Outcome
from dooryard.core.wording import label
from dooryard.outbox.rows import StoredVisit
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.mute import HUSHES
from dooryard.policy.say import DayVisit, summary_alert, summary_due, summary_due_at
from dooryard.policy.sink_hours import has_own_summary, summary_at

_STATE = "last_summary"
_COMMON = ""  # not a sink's name
_LONGEST = timedelta(days=7)  # of an owner who had no summary for months, only the last week is told


@dataclass(frozen=True, slots=True)
class _Mark:
    """How far summaries have got."""

    wall: str  # when the last one was made, ISO 8601; "": none yet
    number: int | None  # the storing number of its newest visit; None: an earlier version kept none
    telling: str = ""  # id of one that is begun
    telling_wall: str = ""
    telling_number: int = 0

    @property
    def last(self) -> datetime | None:
        return datetime.fromisoformat(self.wall) if self.wall else None


def tell_summary(store: Store, conditions: Conditions, now: Moment) -> bool:
    """Store each summary whose time has come; whether there was one. Raises StoreError."""
    if not conditions.clock_set:
        return False
    marks = _marks(store)
    before = dict(marks)
    for sink in sorted(conditions.sinks):
        if sink not in marks and has_own_summary(conditions.policy, sink):
            marks[sink] = _done(store, marks[_COMMON])  # it was told till now what all were told
    if marks != before:  # at once: by its hour the others may have been told more
        _save(store, marks)
    told = [_tell(store, conditions, marks, whose, now) for whose in list(marks)]
    return any(told)


def _tell(store: Store, conditions: Conditions, marks: dict[str, _Mark], whose: str, now: Moment) -> bool:
    """Store the summary of one sink, or of all that have no mark of their own, if its time has come."""
    mark, policy = marks[whose], conditions.policy
    sink = whose or None
    if sink is not None and sink not in conditions.sinks:
        return False
    if not mark.telling:
        due = (
            summary_due(policy, mark.last, now.wall)
            if sink is None
            else summary_due_at(policy, summary_at(policy, sink), mark.last, now.wall)
        )
        if not due:
            return False
        mark = marks[whose] = _begun(store, conditions, mark, now, sink)
        _save(store, marks)
    if store.alert(mark.telling) is None:
        made = Moment(datetime.fromisoformat(mark.telling_wall), now.mono_s)
        visits = [
            DayVisit(label(visit.visitor), visit.start, visit.outcome, muted=_is_muted(store, visit))
            for visit in _visits(store, mark, made)
        ]
        others = conditions.sinks.difference(marks)
        store.add_alert(summary_alert(policy, visits, made, others, mark.telling, sink))
    marks[whose] = _done(store, mark)
    _save(store, marks)
    return True


def _is_muted(store: Store, visit: StoredVisit) -> bool:
    """Whether a pause or a mute held it, and not quiet hours."""
    if visit.outcome is not Outcome.HOLD:
        return False
    decision = store.decision_of(visit.id)
    return decision is not None and any(c.name in HUSHES and not c.passed for c in decision.clauses)


def _done(store: Store, mark: _Mark) -> _Mark:
    """`mark` with what it is telling as told, where that is stored."""
    if mark.telling and store.alert(mark.telling) is not None:
        return _Mark(mark.telling_wall, mark.telling_number)
    return _Mark(mark.wall, mark.number)


def _begun(store: Store, conditions: Conditions, mark: _Mark, now: Moment, sink: str | None) -> _Mark:
    newest = store.newest_visit()
    name = summary_alert(conditions.policy, (), now, conditions.sinks, sink=sink).id
    if store.alert(name) is not None:  # the second of one date, as its hour was changed
        name = f"{name}-{now.wall:%H%M%S}"
    return _Mark(mark.wall, mark.number, name, now.wall.isoformat(), newest)


def _visits(store: Store, mark: _Mark, made: Moment) -> Sequence[StoredVisit]:
    """Those that the summary which is begun is of."""
    since = made.wall - _LONGEST
    if mark.number is None and mark.last is not None:
        since = max(since, mark.last)
    stored = store.visits_stored_between(mark.number or 0, mark.telling_number)
    return [visit for visit in stored if visit.last_seen >= since]


def _marks(store: Store) -> dict[str, _Mark]:
    """That of all sinks without one of their own, and those of the others by their names."""
    saved = store.load_state(_STATE)
    text = "" if saved is None else saved.decode()
    if not text.startswith("{"):
        return {_COMMON: _Mark(text, None)}
    data = json.loads(text)
    own = data.pop("sinks", {})  # earlier versions had none
    return {_COMMON: _Mark(**data)} | {sink: _Mark(**each) for sink, each in own.items()}


def _save(store: Store, marks: Mapping[str, _Mark]) -> None:
    data = asdict(marks[_COMMON])
    own = {sink: asdict(mark) for sink, mark in marks.items() if sink != _COMMON}
    store.save_state(_STATE, json.dumps(data | ({"sinks": own} if own else {})).encode())
