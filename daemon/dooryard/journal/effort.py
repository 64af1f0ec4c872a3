"""How long the box watched, over all dates that are over. Edge: asks the annotation database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from dooryard.history.database import AnnotationDatabase, OffTime
from dooryard.journal.counts import HOURS, by_hour, day_span, watch_spans
from dooryard.journal.files import Manifest
from dooryard.journal.page_visitor import Effort
from dooryard.journal.survey import Digest, Week
from dooryard.policy.hours import Span
from dooryard.policy.schema import Policy

_DAY = timedelta(days=1)
_MOST_DATES = timedelta(days=3660)  # as long as a policy can keep visits


def effort(
    first: date | None,
    today: date,
    policy: Policy,
    database: AnnotationDatabase,
    manifest: Manifest,
    until: datetime,
) -> Effort:
    """Watching from `first` to the day before `today`, as far as `until`.

    What is worked out again is put into `manifest`.
    """
    if first is None or first >= today:
        manifest.watched = {}
        return Effort([0.0] * HOURS, {}, 0, first)
    zone = policy.place.zone
    first = max(first, today - _MOST_DATES)
    off = database.off_times(day_span(zone, first)[0], day_span(zone, today)[0])
    hours, weeks, kept = [0.0] * HOURS, dict[Week, float](), dict[str, tuple[str, list[float]]]()
    day = first
    while day < today:
        row = _day_row(day, off, policy, manifest.watched.get(day.isoformat()), until)
        kept[day.isoformat()] = row
        iso = day.isocalendar()
        weeks[iso.year, iso.week] = weeks.get((iso.year, iso.week), 0.0) + sum(row[1])
        hours = [a + b for a, b in zip(hours, row[1], strict=True)]
        day += _DAY
    manifest.watched = kept
    return Effort(hours, weeks, (today - first).days, first)


def watched_on(day: date, off: Sequence[OffTime], policy: Policy, until: datetime) -> list[Span]:
    return watch_spans(policy, day, [(each.start, each.end) for each in off], until)


def _day_row(
    day: date, off: Sequence[OffTime], policy: Policy, known: tuple[str, list[float]] | None, until: datetime
) -> tuple[str, list[float]]:
    start, end = day_span(policy.place.zone, day)
    mine = [each for each in off if each.end > start and each.start < end]
    digest = Digest()
    end = min(end, until)
    digest.add(policy.hours.watch, policy.place, mine, end)
    if known is not None and known[0] == digest.text():
        return known
    return digest.text(), by_hour(watched_on(day, mine, policy, end), policy.place.zone)
