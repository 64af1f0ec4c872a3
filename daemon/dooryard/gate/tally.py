"""Counts per hour of what was let through and what was held back, by reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dooryard.core.records import RejectReason

if TYPE_CHECKING:
    from collections.abc import Iterable

HOUR_S = 3600.0
HOURS_KEPT = 48
APART_S = 5.0  # the same reason counts again only after this long

REASONS: tuple[RejectReason | None, ...] = (None, *RejectReason)  # None: let through
_NEVER = float("inf")


@dataclass(frozen=True, slots=True)
class GateTally:
    """Counts by reason, in the order of `REASONS`, for the running hour and those before it."""

    running_s: float = 0.0  # how much of the running hour has been watched
    counts: tuple[int, ...] = (0,) * len(REASONS)
    since_s: tuple[float, ...] = (_NEVER,) * len(REASONS)  # time since each was last counted
    hours: tuple[tuple[int, ...], ...] = ()  # full hours of watching, newest last, at most HOURS_KEPT


def count(tally: GateTally, seen: Iterable[RejectReason | None], elapsed_s: float) -> GateTally:
    """Let `elapsed_s` pass and count each reason in `seen`, at most once in `APART_S`."""
    since = tuple([value + elapsed_s for value in tally.since_s])
    counts, happened = tally.counts, set(seen)
    if happened:
        new = [reason in happened and s >= APART_S for reason, s in zip(REASONS, since, strict=True)]
        counts = tuple(count + now for count, now in zip(counts, new, strict=True))
        since = tuple(0.0 if now else s for now, s in zip(new, since, strict=True))
    running = tally.running_s + elapsed_s
    if running < HOUR_S:
        return GateTally(running, counts, since, tally.hours)
    return GateTally(since_s=since, hours=(*tally.hours, counts)[-HOURS_KEPT:])


def totals(tally: GateTally) -> dict[RejectReason | None, int]:
    """Counts by reason over all hours kept and the running one."""
    rows = (*tally.hours, tally.counts)
    return {reason: sum(row[index] for row in rows) for index, reason in enumerate(REASONS)}
