"""Which pictures are given up when room runs short, and which never. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

LEAST_KEPT = 0.25  # of what may be kept: about so much stays when the card runs short of room
ROOM_AGAIN = 1.2  # times the bound of [disk]: then there is room again


@dataclass(frozen=True, slots=True)
class Stored:
    """A picture on the card."""

    path: str
    size_bytes: int
    favourite: bool = False  # of a visit that was marked to keep
    untold: bool = False  # some sink has still to be told of it


def given_up(
    pictures: Iterable[Stored],
    *,
    other_bytes: int,
    keep_bytes: int,
    favourites_count: bool,
    short_bytes: int = 0,
) -> tuple[Stored, ...]:
    """The pictures that have to go so that what counts fits `keep_bytes`, in the order of going.

    `pictures` are in the order of storing, oldest first; `other_bytes` is what else counts (the database).
    The oldest goes first; those still to be told go after all that were, and favourites after these.
    Without `favourites_count` favourites neither go nor count. Where the card is `short_bytes` short of
    room, so much more goes, down to about a quarter of `keep_bytes`: something else may fill the card.
    """
    mine = [picture for picture in pictures if favourites_count or not picture.favourite]
    counted_bytes = sum(picture.size_bytes for picture in mine) + other_bytes
    excess_bytes = max(
        counted_bytes - keep_bytes, min(short_bytes, counted_bytes - int(keep_bytes * LEAST_KEPT))
    )
    gone: list[Stored] = []
    for picture in sorted(mine, key=lambda picture: (picture.favourite, picture.untold)):
        if excess_bytes <= 0:
            break
        gone.append(picture)
        excess_bytes -= picture.size_bytes
    return tuple(gone)


def short_bytes(free_bytes: int, tell_below_bytes: int) -> int:
    """How much room the card is short of: none from the bound on, else up to where there is room again."""
    return max(0, int(tell_below_bytes * ROOM_AGAIN) - free_bytes) if free_bytes < tell_below_bytes else 0
