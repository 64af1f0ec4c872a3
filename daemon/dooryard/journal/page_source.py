"""What the pages are made from: the store, the annotations, the policy, one pass over all visits. Edge."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from dooryard.history.database import AnnotationDatabase, OffTime
from dooryard.history.entries import Entry
from dooryard.history.reader import Reader
from dooryard.journal import page_day, render
from dooryard.journal.counts import day_span
from dooryard.journal.effort import watched_on
from dooryard.journal.survey import Digest, Survey, survey
from dooryard.policy.hours import Span
from dooryard.policy.schema import Policy


@dataclass(slots=True)
class PageSource:
    """What the pages are made from."""

    reader: Reader
    database: AnnotationDatabase
    policy: Policy
    now: datetime
    shared: render.PageContext
    survey: Survey = field(default_factory=Survey)
    neighbours: dict[date, tuple[date | None, date | None]] = field(default_factory=dict)
    _last_watched: datetime | None = None  # known once it has looked
    _read: tuple[date | None, list[Entry]] | None = None  # the date that was read last: most ask for it again

    @property
    def today(self) -> date:
        return self.now.astimezone(self.policy.place.zone).date()

    @property
    def watched_until(self) -> datetime:
        """The last moment, now at the latest, at which the box is known to have watched."""
        return self._last_watched or self.now

    def look(self) -> None:
        """Pass over all visits."""
        self._read = None
        self._last_watched = self.reader.watched_until(self.now)
        self.survey = survey(self.reader.scan(), self.policy.place.zone, self.today)
        dates = self.survey.dates()
        before: dict[date, date | None] = dict(zip(dates, [None, *dates], strict=False))
        after: dict[date, date | None] = dict(zip(dates, [*dates[1:], None], strict=False))
        self.neighbours = {day: (before[day], after[day]) for day in dates}

    def entries(self, day: date | None) -> list[Entry]:
        """The visits of one date, in order of arrival."""
        if self._read is None or self._read[0] != day:
            found = self.reader.undated() if day is None else self.reader.between(*self._span(day))
            self._read = day, list(found)
        return self._read[1]

    def facts(self, day: date | None) -> page_day.DayFacts:
        """What else is known of a date."""
        if day is None:
            return page_day.DayFacts(None)
        start, end = self._span(day)
        off, until = self.database.off_times(start, end), self.watched_until
        before, after = self.neighbours.get(day, (None, None))
        return page_day.DayFacts(
            on=day,
            watched=watched_on(day, off, self.policy, min(end, until)),
            until=max(start, until) if until < end else None,
            warmth=[(each.sensor, each.least_c, each.most_c) for each in self.database.warmth(start, end)],
            off=[(max(each.start, start), _end_of(each, end, until), each.reason) for each in off],
            gate=self.database.held_on(day),
            before=before,
            after=after,
        )

    def _span(self, day: date) -> Span:
        return day_span(self.policy.place.zone, day)

    def key(self, *things: object) -> str:
        """The fingerprint of a page that is made of `things` and of what all pages share."""
        digest = Digest()
        digest.add(render.fingerprint(), self.shared, self.policy.place, *things)
        return digest.text()

    def day_key(self, day: date | None) -> str:
        """The fingerprint of a day's page. The moment is not in it, only whether the day is over."""
        visits = self.survey.days[day].digest.text()
        facts = self.facts(day)
        over = day is None or day < self.today
        watched = facts.watched if over else None
        return self.key(visits, over, watched, facts.warmth, facts.off, facts.gate, facts.before, facts.after)


def _end_of(off: OffTime, end: datetime, until: datetime) -> datetime | None:
    """Where a time off ends on a day that ends at `end`; None: it goes on, and the day is not over."""
    return None if off.running and until < end else min(off.end, end)


@contextlib.contextmanager
def opened(
    state_folder: Path, policy: Policy, now: datetime, shared: render.PageContext
) -> Iterator[PageSource]:
    """A desk with the store and the annotation database of `state_folder`; `look` is still to be done."""
    with (
        contextlib.closing(AnnotationDatabase(state_folder)) as database,
        contextlib.closing(Reader(state_folder, database.said())) as reader,
    ):
        yield PageSource(reader, database, policy, now, shared)
