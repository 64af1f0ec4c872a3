"""Counts worth reading: per hour of watching, against the sun, and how many at once. Pure.

Limits, all of them said on the journal's page about itself:

* A visit is not an animal: one that goes and comes back makes two.
* Hours of watching are the policy's watch hours less the times off that the box wrote down. A time
  off that nobody wrote down counts as watched, so a rate can be too low, never too high.
* What is so small or so brief that the gate holds it back is not counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dooryard.policy.hours import Span, spans_around, sun_times
from dooryard.policy.schema import Place, Policy

HOURS = 24
_DAY = timedelta(days=1)
_HOUR_S = 3600.0
LEAST_WATCHED_S = _HOUR_S  # shorter watching gives no rate


@dataclass(frozen=True, slots=True)
class AgainstSun:
    """Minutes from sunrise to the first visit and from the last visit to sunset; None: no such sun."""

    first_after_sunrise_min: float | None
    last_before_sunset_min: float | None


def day_span(zone: ZoneInfo, on: date) -> Span:
    """The local date `on` from midnight to midnight, in UTC: 23, 24 or 25 hours."""
    start, end = (datetime.combine(day, time(), zone).astimezone(UTC) for day in (on, on + _DAY))
    return start, end


def watch_spans(policy: Policy, on: date, off: Sequence[Span], until: datetime) -> list[Span]:
    """When the box watched on the local date `on`, as far as `until`: watch hours less times off."""
    start, end = day_span(policy.place.zone, on)
    end = min(end, until)
    windows = policy.hours.watch
    spans: list[Span] = [(start, end)]
    if windows:
        # The spans are whole for a date in UTC; a local date touches at most two of these.
        dates = {start.date(), (end - timedelta.resolution).date()}
        found = {span for day in dates for span in spans_around(windows, policy.place, day)}
        spans = [(max(a, start), min(b, end)) for a, b in sorted(found)]
    return without(joined(spans), off)


def joined(spans: Iterable[Span]) -> list[Span]:
    """`spans` in order, those that overlap or touch made one, empty ones left out."""
    found: list[Span] = []
    for start, end in sorted(span for span in spans if span[0] < span[1]):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


def without(spans: Sequence[Span], off: Sequence[Span]) -> list[Span]:
    """What of `spans` is in no span of `off`."""
    left = list(spans)
    for a, b in off:
        left = [
            piece
            for start, end in left
            for piece in ((start, min(end, a)), (max(start, b), end))
            if piece[0] < piece[1]
        ]
    return joined(left)


def seconds(spans: Iterable[Span]) -> float:
    return sum((end - start).total_seconds() for start, end in spans)


def by_hour(spans: Iterable[Span], zone: ZoneInfo) -> list[float]:
    """Seconds of `spans` in each of the 24 hours of the local clock.

    The hour that comes twice in autumn counts twice, the one that is skipped in spring not at all.
    """
    found = [0.0] * HOURS
    for start, end in spans:
        at = start
        while at < end:
            local = at.astimezone(zone)
            into_s = local.minute * 60 + local.second + local.microsecond / 1e6
            nxt = min(end, at + timedelta(seconds=_HOUR_S - into_s))
            found[local.hour] += (nxt - at).total_seconds()
            at = nxt
    return found


def rate_per_h(visits: int, watched_s: float) -> float | None:
    """Visits per hour of watching: n / T. None where less than an hour was watched: chance would be all."""
    return visits / (watched_s / _HOUR_S) if watched_s >= LEAST_WATCHED_S else None


def against_sun(place: Place, on: date, first: datetime, last: datetime) -> AgainstSun:
    """First arrival less sunrise, and sunset less last arrival, in minutes (negative: in the dark)."""
    day = sun_times(place, on)
    if day is None:
        return AgainstSun(None, None)
    rise, fall = day.sunrise, day.sunset
    return AgainstSun(
        (first - rise).total_seconds() / 60 if isinstance(rise, datetime) else None,
        (fall - last).total_seconds() / 60 if isinstance(fall, datetime) else None,
    )


def most_at_once(stays: Iterable[Span]) -> int:
    """The largest number of stays that share a moment; both ends belong to a stay.

    It is the least number of animals that can have made these visits.
    """
    steps = sorted(step for start, end in stays for step in ((start, 0), (end, 1)))
    most = here = 0
    for _, leaves in steps:
        here += -1 if leaves else 1
        most = max(most, here)
    return most
