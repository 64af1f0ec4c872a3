"""When to try again: pure, values in, a new value out.

All times are monotonic seconds. They mean nothing after a restart, so the store keeps durations, and
`restored` turns them into times again.

Two things are paced. An *errand* is one alert on its way to one sink; it waits longer after each failure.
A *line* is the way to one sink; after a failure the whole line rests, so that five hundred alerts don't
knock at a dead receiver one after the other.

In which order:

- While the line works, alerts go in the order they were stored.
- While it fails, the errand with the fewest attempts goes next, the newest of those first. So one alert
  that a receiver cannot stomach does not stand in the way of the rest.
- When it works again, what is stored from then on goes first, in order; the backlog goes newest first.
- Urgent alerts go before all others while the line works, and whatever the sink's pace (see `pace`).

Alerts on visits that have grown old on the way are not worth a message each: `too_late` says which of
them to gather into one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from dooryard.sinks.base import Answer, Fate


class State(StrEnum):
    """Where an errand stands. Only the first is unfinished."""

    WAITING = "waiting"
    SENT = "sent"
    REFUSED = "refused"  # the receiver will never take it
    EXPIRED = "expired"  # still failing past its age
    GATHERED = "gathered"  # too late for a message of its own: told in another
    DROPPED = "dropped"  # its owner did not want it told any more


@dataclass(frozen=True, slots=True)
class Rules:
    """How patient to be."""

    first_s: float = 5.0  # the longest wait after the first failure; it doubles with each one
    cap_s: float = 300.0  # the longest wait after any number of failures
    longest_wish_s: float = 6 * 3600.0  # a receiver's own wish is obeyed up to here
    give_up_after_s: float = 7 * 86400.0  # an errand older than this ends with its next failure
    late_after_s: float = 3600.0  # an alert on a visit older than this is late ...
    gather_from: int = 3  # ... and this many late ones become one message
    per_hour: float = 120.0  # attempts in the long run
    burst: int = 60  # attempts in a row


@dataclass(frozen=True, slots=True)
class Instead:
    """Who gets what a sink could not be given."""

    sink: str
    after_s: float  # since it was first tried


@dataclass(frozen=True, slots=True)
class Errand:
    """One alert on its way to one sink."""

    alert: str
    sink: str
    seq: int  # order of storing
    since_s: float  # when it was stored
    due_s: float  # not before this
    state: State = State.WAITING
    attempts: int = 0
    maybe: int = 0  # attempts that may have arrived
    answer: str = ""  # the last answer, in words
    urgent: bool = False
    gathers: bool = False  # it may be told together with others once it is late
    extra_age_s: float = 0.0  # how much older it is by the wall clock: time spent without power
    # Of a sink with several recipients: who has it already, and who will never take it.
    taken: frozenset[str] = frozenset()
    refused: frozenset[str] = frozenset()
    tried_s: float | None = None  # when it was first tried; None: not yet
    passes_on: bool = False  # another sink may be given it as well
    passed_on: bool = False  # that was done
    instead_of: str = ""  # the sink that could not be reached, and in whose place it is to this one


@dataclass(frozen=True, slots=True)
class Line:
    """The way to one sink."""

    failures: int = 0  # in a row
    rests_until_s: float = float("-inf")
    backlog_seq: int = 0  # alerts up to this one are backlog
    why: str = ""  # what the sink said of a recipient that rests


def backoff_s(failures: int, jitter: float, rules: Rules) -> float:
    """Seconds to wait after `failures` (>= 1) in a row; `jitter` in 0..1 picks within the upper half.

    The wait lies in [w/2, w] with w = min(cap_s, first_s * 2 ** (failures - 1)).
    """
    longest = min(rules.cap_s, rules.first_s * 2.0 ** min(failures - 1, 60))
    return longest * (0.5 + 0.5 * jitter)


def restored(
    errand: Errand, *, wait_s: float, age_s: float, now_s: float, rules: Rules, trying_s: float = 0.0
) -> Errand:
    """An unfinished errand as it stands after a restart: due again no later than its last wait promised.

    `trying_s` is from its first try to its last one.
    """
    wait_s = min(max(0.0, wait_s), max(rules.cap_s, rules.longest_wish_s))
    tried_s = now_s - max(0.0, trying_s) if errand.attempts else None
    return replace(errand, since_s=now_s - max(0.0, age_s), due_s=now_s + wait_s, tried_s=tried_s)


def after(errand: Errand, answer: Answer, now_s: float, jitter: float, rules: Rules) -> Errand:
    """The errand after an attempt that ended at `now_s` with `answer`."""
    tried = replace(
        errand,
        attempts=errand.attempts + 1,
        maybe=errand.maybe + (answer.fate is Fate.MAYBE_SENT),
        answer=answer.text,
        due_s=now_s,
        tried_s=now_s if errand.tried_s is None else errand.tried_s,
    )
    if answer.fate is Fate.SENT:
        return replace(tried, state=State.SENT)
    if answer.fate is Fate.REFUSED:
        return replace(tried, state=State.REFUSED)
    if now_s - errand.since_s >= rules.give_up_after_s:
        return replace(tried, state=State.EXPIRED)
    return replace(tried, due_s=now_s + _wait_s(tried.attempts, answer, jitter, rules))


def line_after(
    line: Line, answer: Answer, now_s: float, jitter: float, rules: Rules, *, newest_seq: int
) -> Line:
    """The line after an attempt; `newest_seq` is the latest alert that is known to wait."""
    if answer.fate in {Fate.NOT_SENT, Fate.MAYBE_SENT}:
        failures = line.failures + 1
        return replace(
            line, failures=failures, rests_until_s=now_s + _wait_s(failures, answer, jitter, rules)
        )
    if line.failures:  # it works again: all that waited till now is backlog
        return Line(backlog_seq=max(line.backlog_seq, newest_seq))
    return line


def pick(
    errands: Iterable[Errand], line: Line, now_s: float, *, free_from_s: float = float("-inf")
) -> Errand | None:
    """The errand to try now, by the order above, or None when nothing is due.

    Before `free_from_s`, the sink's pace allows urgent errands only.
    """
    if now_s < line.rests_until_s:
        return None
    due = [errand for errand in errands if errand.state is State.WAITING and errand.due_s <= now_s]
    urgent = [errand for errand in due if errand.urgent]
    if now_s < free_from_s:
        due = urgent
    if not due:
        return None
    if line.failures:
        return min(due, key=lambda errand: (errand.attempts, -errand.seq))
    fresh = urgent or [errand for errand in due if errand.seq > line.backlog_seq]
    if fresh:
        return min(fresh, key=lambda errand: errand.seq)
    return max(due, key=lambda errand: errand.seq)


def next_s(errands: Iterable[Errand], line: Line, *, free_from_s: float = float("-inf")) -> float | None:
    """When `pick` will next have something, or None when nothing waits."""
    waiting = [
        errand.due_s if errand.urgent else max(errand.due_s, free_from_s)
        for errand in errands
        if errand.state is State.WAITING
    ]
    return max(min(waiting), line.rests_until_s) if waiting else None


def tried_in_vain(errands: Iterable[Errand], now_s: float) -> dict[str, Errand]:
    """By alert: those that were due when an attempt at `now_s` found the way to the sink closed.

    That attempt was made for all of them: else one of many that wait would be tried hours later.
    """
    return {
        errand.alert: replace(errand, tried_s=now_s)
        for errand in errands
        if errand.tried_s is None and errand.due_s <= now_s and errand.state is State.WAITING
    }


def to_pass_on(errands: Iterable[Errand], instead: Instead | None, now_s: float) -> list[Errand]:
    """Those to be given to another sink as well: they could not be delivered for long enough."""
    if instead is None:
        return []
    return [each for each in errands if _pass_on_s(each, instead) <= now_s]


def pass_on_next_s(errands: Iterable[Errand], instead: Instead | None) -> float | None:
    """When `to_pass_on` will next have one if nothing is delivered till then; None: never."""
    if instead is None:
        return None
    soonest_s = min((_pass_on_s(each, instead) for each in errands), default=math.inf)
    return soonest_s if soonest_s < math.inf else None


def _pass_on_s(errand: Errand, instead: Instead) -> float:
    """When the errand is to be given to the other sink as well; infinity: never.

    One that a recipient of several has was delivered, if not to all.
    """
    if not errand.passes_on or errand.passed_on or errand.taken or errand.tried_s is None:
        return math.inf
    return errand.tried_s + instead.after_s if errand.state is State.WAITING else math.inf


def too_late(errands: Iterable[Errand], line: Line, now_s: float, rules: Rules) -> list[Errand]:
    """The errands to gather into one message, newest first; none while the line fails, or for a few."""
    if line.failures:
        return []
    late = [
        errand
        for errand in errands
        if errand.gathers
        and errand.state is State.WAITING
        and now_s - errand.since_s + errand.extra_age_s >= rules.late_after_s
    ]
    return sorted(late, key=lambda errand: -errand.seq) if len(late) >= rules.gather_from else []


def _wait_s(failures: int, answer: Answer, jitter: float, rules: Rules) -> float:
    wish_s = min(answer.retry_after_s or 0.0, rules.longest_wish_s)
    return max(backoff_s(failures, jitter, rules), wish_s)
