"""How large a visit's picture is stored: good ones while the day's share lasts, then small ones. Pure.

A memory card wears with each byte written. A day of a hundred visits may have good pictures; a day of two
thousand must not write a gigabyte. And a better picture of a visit is stored beside the first only where it
is clearly better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

CLEARLY = 0.4  # how much higher a picture's score must be, on the scale of `tracks`: our own choice


class PictureSize(NamedTuple):
    """What a picture may be at most."""

    longer_px: int
    most_bytes: int


GOOD = PictureSize(1024, 120_000)
SMALL = PictureSize(640, 24_000)


@dataclass(frozen=True, slots=True)
class PictureDay:
    """What pictures have been stored of one local day."""

    on: date | None = None
    stored_bytes: int = 0

    def size(self, on: date, good_bytes: int) -> PictureSize:
        """How large the next picture may be; `good_bytes` is the day's share for good ones."""
        stored = self.stored_bytes if on == self.on else 0
        return GOOD if stored < good_bytes else SMALL

    def with_one(self, on: date, size_bytes: int) -> PictureDay:
        """The day with one more picture; another date begins again."""
        before = self.stored_bytes if on == self.on else 0
        return replace(self, on=on, stored_bytes=before + size_bytes)


def worth_storing_again(stored_score: float, score: float, size: PictureSize) -> bool:
    """Whether a visit's better picture is to be stored, its first having had `stored_score`."""
    return size == GOOD and score >= stored_score + CLEARLY
