"""Which pictures are given up when room runs short, and which never. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stored:
    """A picture on the card."""

    path: str
    size_bytes: int
    favourite: bool = False  # of a visit that was marked to keep
    untold: bool = False  # some sink has still to be told of it


def given_up(
    pictures: Iterable[Stored], *, other_bytes: int, keep_bytes: int, favourites_count: bool
) -> tuple[Stored, ...]:
    """The pictures that have to go so that what counts fits `keep_bytes`, in the order of going.

    `pictures` are in the order of storing, oldest first; `other_bytes` is what else counts (the database).
    The oldest goes first; those still to be told go after all that were, and favourites after these.
    Without `favourites_count` favourites neither go nor count.
    """
    mine = [picture for picture in pictures if favourites_count or not picture.favourite]
    excess_bytes = sum(picture.size_bytes for picture in mine) + other_bytes - keep_bytes
    gone: list[Stored] = []
    for picture in sorted(mine, key=lambda picture: (picture.favourite, picture.untold)):
        if excess_bytes <= 0:
            break
        gone.append(picture)
        excess_bytes -= picture.size_bytes
    return tuple(gone)
