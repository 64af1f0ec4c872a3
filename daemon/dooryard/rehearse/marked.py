"""The owner's marks as the truth of a rehearsal. Pure.

Marks say who came, or that nobody was there, for the visits that carry one. Of all other times nobody knows
who came, so only what a rehearsal sees at marked times is judged. What the box missed when it recorded has no
mark, so "noticed" is never too low by that, and may be too high.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from dooryard.history.entries import Entry
from dooryard.rehearse.records import Rehearsal
from dooryard.rehearse.truth import NEAR_S, Score, TrueVisit, score


@dataclass(frozen=True, slots=True)
class MarkedTimes:
    """`visits` were named by a person; in `empty` (start, end) a person saw nobody. Times are aware."""

    visits: tuple[TrueVisit, ...] = ()
    empty: tuple[tuple[datetime, datetime], ...] = ()


def marked_times(entries: Iterable[Entry]) -> MarkedTimes:
    """What the marks on `entries` say, as far as they are verdicts and the clock was set."""
    visits, empty = [], []
    for entry in entries:
        if not entry.clock_set:
            continue
        if entry.said.nobody:
            empty.append((entry.start, entry.last_seen))
        elif entry.said.visitor is not None:
            who = entry.said.visitor
            visits.append(TrueVisit(entry.start, entry.last_seen, who.group, who.species or ""))
    return MarkedTimes(tuple(visits), tuple(empty))


def score_by_marks(marked: MarkedTimes, rehearsal: Rehearsal) -> Score:
    """Count as `score` does, at marked times only; its note says how many visits could be judged."""
    spans = [(each.start, each.end) for each in marked.visits] + list(marked.empty)
    near = timedelta(seconds=NEAR_S)
    judged = tuple(
        seen
        for seen in rehearsal.seen
        if any(
            start - near <= seen.visit.last_seen.wall and seen.visit.start.wall <= end + near
            for start, end in spans
        )
    )
    found = score(marked.visits, replace(rehearsal, seen=judged))
    whole = len(rehearsal.seen)
    note = f"judged by marks: {len(judged)} of {whole} visits; the others came at times without a mark"
    return replace(found, hours=0.0, note=note)
