"""Which birds may be told at a place: lists by region, and the owner's own words. Pure.

The lists stand in `garden_birds_table`; a place's coordinates pick one, and a policy may name another, add
birds and strike some out. A species whose genus was revised is listed by all its names.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dooryard.classify.garden_birds import REGIONS, birds, called, plain
from dooryard.config.toml_document import did_you_mean
from dooryard.core.errors import ConfigError

ANYWHERE = "anywhere"
HERE = "here"
NOT = "not "
NORTH_AMERICA = "north america"
GROUPS_OF_REGIONS = {NORTH_AMERICA: ("north america east", "north america west")}
"""Names for several regions at once."""

_EUROPE = (34.0, 72.0, -25.0, 45.0)
_AMERICA = (15.0, 84.0, -170.0, -50.0)
_EAST_OF, _WEST_OF = -104.0, -96.0
"""Between these two degrees of longitude, the western plains, birds of both sides meet."""


def regions_of(latitude: float | None, longitude: float | None) -> tuple[str, ...]:
    """The regions that a place lies in, by degrees north and east; none: no list is kept for it.

    The bounds are rough, and our own.
    """
    if latitude is None or longitude is None:
        return ()
    if _within(_EUROPE, latitude, longitude):
        return ("europe",)
    if not _within(_AMERICA, latitude, longitude):
        return ()
    east, west = longitude >= _EAST_OF, longitude <= _WEST_OF
    return tuple(name for name, there in zip(REGIONS, (east, west), strict=False) if there)


def _within(bounds: tuple[float, float, float, float], latitude: float, longitude: float) -> bool:
    south, north, west, east = bounds
    return south <= latitude <= north and west <= longitude <= east


def of_place(
    wanted: Sequence[str] | None, latitude: float | None, longitude: float | None
) -> frozenset[str] | None:
    """Return the scientific names of birds that may be told at a place; None: all.

    `wanted` is what the owner says: names of regions and birds, "here" for the list of the place, "anywhere",
    and "not ..." for what is struck out; nothing but strikes are taken off the list of the place. None: the
    list of the place. Raises ConfigError for a name that nobody knows.
    """
    if wanted is None:
        return _listed(regions_of(latitude, longitude))
    adds = [each for each in wanted if not plain(each).startswith(NOT)]
    strikes = [plain(each).removeprefix(NOT) for each in wanted if plain(each).startswith(NOT)]
    found: frozenset[str] | None = frozenset()
    for each in adds or [HERE]:
        more = _added(each, latitude, longitude)
        found = None if found is None or more is None else found | more
    if found is None:
        if strikes:
            raise ConfigError(
                f'"{NOT}{strikes[0]}": there is no list for this place to strike a bird out of',
                f"name a list beside it: {_choices()}",
            )
        return None
    return found - {latin for each in strikes for latin in _struck(each)}


def region(name: str) -> frozenset[str]:
    """Return the scientific names of a region. Raises ConfigError for one that is not known."""
    if plain(name) not in (*REGIONS, *GROUPS_OF_REGIONS):
        raise ConfigError(f'there is no list of birds for "{name}"', f"choose one of {_choices()}")
    found = _listed(GROUPS_OF_REGIONS.get(plain(name), (plain(name),)))
    assert found is not None
    return found


def _added(name: str, latitude: float | None, longitude: float | None) -> frozenset[str] | None:
    wanted = plain(name)
    if wanted == ANYWHERE:
        return None
    if wanted == HERE:
        return _listed(regions_of(latitude, longitude))
    if wanted in (*REGIONS, *GROUPS_OF_REGIONS):
        return region(wanted)
    found = called(name)
    if len(found) > 1:
        kinds = " or ".join(f'"{bird.names[0]}"' for bird in found)
        raise ConfigError(f'"{name}" may be more than one bird', f"write {kinds}")
    if found:
        return frozenset(found[0].scientific)
    if _looks_scientific(name) and not _hint(name):
        return frozenset({" ".join(name.split())})  # a model of one's own may know it
    raise _unknown(name)


def _struck(name: str) -> Iterable[str]:
    found = called(name)
    if not found:
        raise _unknown(name)
    return [latin for bird in found for latin in bird.scientific]


def _listed(names: Sequence[str]) -> frozenset[str] | None:
    if not names:
        return None
    wanted = frozenset(names)
    return frozenset(
        latin for bird in birds() if not wanted.isdisjoint(bird.regions) for latin in bird.scientific
    )


def _looks_scientific(name: str) -> bool:
    words = name.split()
    return len(words) > 1 and words[0].istitle() and words[1].islower()


def _hint(name: str) -> str:
    names = (each for bird in birds() for each in (*bird.names, *bird.scientific))
    known = [*REGIONS, *GROUPS_OF_REGIONS, HERE, ANYWHERE, *names]
    return did_you_mean(name, known, cutoff=0.85 if _looks_scientific(name) else 0.6)


def _unknown(name: str) -> ConfigError:
    return ConfigError(
        f'"{name}" is no region and no bird that is known{_hint(name)}',
        f'write {_choices()}, or a name such as "house sparrow" or "Passer domesticus"; '
        "`dooryard birds --all` prints every one",
    )


def _choices() -> str:
    return ", ".join(f'"{name}"' for name in (HERE, *REGIONS, *GROUPS_OF_REGIONS, ANYWHERE))
