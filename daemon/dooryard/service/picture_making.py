"""The pictures of visits as they are stored: as large as the day allows, and again only if clearly better."""

from __future__ import annotations

import math
from datetime import date

from dooryard.core.records import Moment, Visit
from dooryard.imaging.jpeg import fitted
from dooryard.imaging.size_budget import PictureDay, PictureSize, worth_storing_again
from dooryard.imaging.xmp import labelled
from dooryard.journal.phrases import labels
from dooryard.pipeline import Conditions

LABELS_BYTES = 2_000  # room for caption and keywords, whatever the place is called


class VisitPictures:
    """Makes the JPEGs, and remembers what the day has taken and how good what is stored is."""

    def __init__(self) -> None:
        self._day = PictureDay()
        self._scores: dict[str, float] = {}  # of the stored pictures of visits that last

    def first(self, visit: Visit, conditions: Conditions, now: Moment) -> bytes | None:
        """The picture to store a visit with; None where it has none."""
        if visit.best is None:
            return None
        size = self._size(conditions, now)
        size = size._replace(most_bytes=size.most_bytes - LABELS_BYTES)
        data = fitted(visit.best, visit.visitor.name, size, clock_set=conditions.clock_set)
        data = labelled(data, *labels(visit.visitor, conditions.policy.place.name))
        self._day = self._day.with_one(_today(conditions, now), len(data))
        return data

    def stored(self, visit: Visit) -> None:
        """The visit's present picture is stored."""
        if visit.end is None:
            self._scores[visit.id] = visit.best_score

    def better(self, visit: Visit, conditions: Conditions, now: Moment) -> bytes | None:
        """A visit's picture at its end, if it is clearly better than the one that is stored, or none is."""
        before = self._scores.pop(visit.id, -math.inf)
        if not worth_storing_again(before, visit.best_score, self._size(conditions, now)):
            return None
        return self.first(visit, conditions, now)

    def fresh(self, visit: Visit, conditions: Conditions, now: Moment) -> bytes | None:
        """The picture of a visit that lasts, if there has been a better one than what is stored."""
        if visit.best_score <= self._scores.get(visit.id, -math.inf):
            return None
        return self.first(visit, conditions, now)

    def _size(self, conditions: Conditions, now: Moment) -> PictureSize:
        good_bytes = conditions.policy.keeping.good_megabytes_a_day * 1_000_000
        return self._day.size(_today(conditions, now), good_bytes)


def _today(conditions: Conditions, now: Moment) -> date:
    return now.wall.astimezone(conditions.policy.place.zone).date()
