"""The day's summary: when it is due, and which visits it is of. Edge.

A summary is of all visits that were stored since the one before, in the order of storing. By when they
began, one that lasted over the summary, or that the disk refused for a while, would be in none.

What is about to be told is written down first: a summary that the power cut short is told again under
its own id, with the same visits, and whatever was stored meanwhile is left for the next.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from dooryard.outbox.rows import StoredVisit
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.mute import HUSHES
from dooryard.policy.say import DayVisit, summary_alert, summary_due
from dooryard.policy.words import label
from dooryard.records import Moment, Outcome

_STATE = "last_summary"
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
    """Store the summary when its time has come; whether it did. Raises StoreError."""
    mark = _mark(store)
    if not conditions.clock_set:
        return False
    if not mark.telling:
        if not summary_due(conditions.policy, mark.last, now.wall):
            return False
        mark = _begun(store, conditions, mark, now)
        _save(store, mark)
    if store.alert(mark.telling) is None:
        made = Moment(datetime.fromisoformat(mark.telling_wall), now.mono_s)
        visits = [
            DayVisit(label(visit.visitor), visit.start, visit.outcome, muted=_is_muted(store, visit))
            for visit in _visits(store, mark, made)
        ]
        store.add_alert(summary_alert(conditions.policy, visits, made, conditions.sinks, mark.telling))
    _save(store, _Mark(mark.telling_wall, mark.telling_number))
    return True


def _is_muted(store: Store, visit: StoredVisit) -> bool:
    """Whether a pause or a mute held it, and not quiet hours."""
    if visit.outcome is not Outcome.HOLD:
        return False
    decision = store.decision_of(visit.id)
    return decision is not None and any(c.name in HUSHES and not c.passed for c in decision.clauses)


def _begun(store: Store, conditions: Conditions, mark: _Mark, now: Moment) -> _Mark:
    newest = store.newest_visit()
    name = summary_alert(conditions.policy, (), now, conditions.sinks).id
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


def _mark(store: Store) -> _Mark:
    saved = store.load_state(_STATE)
    if saved is None:
        return _Mark("", None)
    text = saved.decode()
    return _Mark(**json.loads(text)) if text.startswith("{") else _Mark(text, None)


def _save(store: Store, mark: _Mark) -> None:
    store.save_state(_STATE, json.dumps(asdict(mark)).encode())
