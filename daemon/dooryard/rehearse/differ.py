"""What two policies make of the same frames: where they differ, and why. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from dooryard.policy.patience import WAITED
from dooryard.rehearse.records import Rehearsal, RehearsedVisit


@dataclass(frozen=True, slots=True)
class Difference:
    """One visit on which two rehearsals differ. None: the visit isn't there."""

    a: RehearsedVisit | None
    b: RehearsedVisit | None
    what: str  # "not sent, was sent"

    @property
    def start(self) -> Any:
        seen = self.a or self.b
        assert seen is not None
        return seen.visit.start.wall


def differences(a: Rehearsal, b: Rehearsal) -> list[Difference]:
    """Where `b` decides otherwise than `a`, in the order of the visits."""
    found = [Difference(x, y, what) for x, y in pairs(a, b) if (what := _what(x, y))]
    return sorted(found, key=lambda difference: difference.start)


def pairs(a: Rehearsal, b: Rehearsal) -> Iterator[tuple[RehearsedVisit | None, RehearsedVisit | None]]:
    """Each visit of either with the one of the other that shares the most time with it, or None."""
    left = list(b.seen)
    for x in a.seen:
        best = max(left, key=lambda y: _shared_s(x, y), default=None)
        if best is not None and _shared_s(x, best) >= 0:
            left.remove(best)
            yield x, best
        else:
            yield x, None
    yield from ((None, y) for y in left)


@dataclass(frozen=True, slots=True)
class Waits:
    """A visit with which rules waited, by either policy."""

    seen: RehearsedVisit
    a: tuple[str, ...]  # in words; empty: none waited
    b: tuple[str, ...]


def waits(a: Rehearsal, b: Rehearsal) -> list[Waits]:
    """The visits with which a rule waited for an earlier one, in their order."""
    found = [Waits(seen, _waited(x), _waited(y)) for x, y in pairs(a, b) if (seen := x or y)]
    return sorted((each for each in found if each.a or each.b), key=lambda each: each.seen.visit.start.mono_s)


def _waited(seen: RehearsedVisit | None) -> tuple[str, ...]:
    if seen is None:
        return ()
    return tuple(clause.text for clause in seen.decision.clauses if clause.name == WAITED)


def _what(a: RehearsedVisit | None, b: RehearsedVisit | None) -> str:
    if a is None:
        assert b is not None
        return f"only with the second: {b.decision.outcome.words}"
    if b is None:
        return f"only with the first: {a.decision.outcome.words}"
    for now, before in zip(_told(b), _told(a), strict=True):
        if now != before:
            return f"{now}, was {before}"
    return ""


def _told(seen: RehearsedVisit) -> tuple[str, ...]:
    """What a difference is told of, the weightiest first."""
    decision = seen.decision
    to = ", ".join(decision.sinks) or "nobody"
    again = "sent again as still here" if seen.still else "sent once only"
    return decision.outcome.words, f"to {to}", again, seen.visit.visitor.name, f"by {_rule(decision.rule)}"


def _rule(name: str | None) -> str:
    return f'rule "{name}"' if name else "no rule"


def _shared_s(a: RehearsedVisit, b: RehearsedVisit) -> float:
    """Seconds that both were there; negative where there is a gap between them."""
    start = max(a.visit.start.mono_s, b.visit.start.mono_s)
    end = min(a.visit.last_seen.mono_s, b.visit.last_seen.mono_s)
    same = 0.001 * (a.visit.id == b.visit.id) + 0.001 * (a.visit.visitor.group == b.visit.visitor.group)
    return end - start + same if end >= start else end - start
