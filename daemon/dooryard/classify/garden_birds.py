"""What birds are called, and in the gardens of which regions they may come. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

from dooryard.classify.garden_birds_table import TABLE

_LETTERS = {"E": "north america east", "W": "north america west", "U": "europe"}
_SPELT = {"grey": "gray", "gray": "grey", "colored": "coloured", "coloured": "colored"}
REGIONS = tuple(_LETTERS.values())
"""Regions that have a list of their own."""


class Bird(NamedTuple):
    """One species."""

    scientific: tuple[str, ...]  # the newest name first; a model may know the bird by any
    names: tuple[str, ...]  # common names, lower case, first as it is told
    regions: tuple[str, ...]  # of `REGIONS`; (): on no list


@lru_cache(maxsize=1)
def birds() -> tuple[Bird, ...]:
    """Return all birds, by their scientific names."""
    return tuple(_parsed(TABLE))


def _parsed(table: str) -> Iterator[Bird]:
    for line in table.strip().splitlines():
        scientific, names, regions = (part.strip() for part in line.split("|"))
        yield Bird(
            tuple(scientific.split(", ")),
            _both_spellings(names.split(", ")),
            tuple(_LETTERS[letter] for letter in regions),
        )


def _both_spellings(names: Sequence[str]) -> tuple[str, ...]:
    """`names`, then those of them that are spelt otherwise on the other side of the Atlantic."""
    others = [_SPELT[word].join(name.split(word)) for name in names for word in _SPELT if word in name]
    return tuple(dict.fromkeys((*names, *others)))


@lru_cache(maxsize=1)
def _by_name() -> dict[str, tuple[Bird, ...]]:
    found: dict[str, tuple[Bird, ...]] = {}
    for bird in birds():
        for name in {plain(each) for each in (*bird.names, *bird.scientific)}:
            found[name] = (*found.get(name, ()), bird)
    return found


def called(name: str) -> tuple[Bird, ...]:
    """Return the birds that `name` may mean: a scientific or a common name, however spaced or cased."""
    return _by_name().get(plain(name), ())


def plain(name: str) -> str:
    """Return a name as it is compared."""
    return " ".join(name.replace("’", "'").split()).casefold()


def other_names(scientific: str | None) -> tuple[str, ...]:
    """Return the other common names of a bird, () where none is known."""
    found = called(scientific) if scientific else ()
    return found[0].names[1:] if found else ()
