"""What rules may call a visitor. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from dooryard.classify.garden_birds import other_names
from dooryard.core.records import SOMETHING, Visitor
from dooryard.policy.fields import ANYTHING, NOT_SURE, plain_name

_UNSURE_GROUPS = frozenset({"bird", "animal"})  # told by more than the group, whatever the model knows


def names_of(visitor: Visitor, group_of: Mapping[str, str]) -> frozenset[str]:
    """All that a rule may call this visitor; `group_of` is the group of each species' name.

    A bird that is told by its scientific name also goes by its other common names ("great northern diver").
    "not sure" is a visitor of whom more could be known: an animal of no certain group, or one without a
    species in a group that has some. A squirrel is a squirrel where no sort of squirrel can be told.
    """
    if visitor.group == SOMETHING:
        return frozenset({SOMETHING})
    names = {ANYTHING, plain_name(visitor.group)}
    names |= {plain_name(name) for name in (visitor.species, visitor.scientific) if name is not None}
    names |= {plain_name(name) for name in other_names(visitor.scientific)}
    if visitor.species is None and _has_species(visitor.group, group_of):
        names.add(NOT_SURE)
    return frozenset(names)


def _has_species(group: str, group_of: Mapping[str, str]) -> bool:
    return group in _UNSURE_GROUPS or any(of == group != name for name, of in group_of.items())
