"""What a person's word means: from "wren" or "nobody" to a mark. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dooryard.core.records import Visitor
from dooryard.history.entries import Kind
from dooryard.policy.schema import ANYTHING, NOT_SURE, plain_name

UNDO = "undo"
_MOST_CHARACTERS = 60


@dataclass(frozen=True, slots=True)
class Word:
    """What is to be marked; `kind` None: the newest mark is to be taken back."""

    kind: Kind | None
    visitor: Visitor | None = None


def understood(what: str, group_of: Mapping[str, str], scientific_of: Mapping[str, str]) -> Word:
    """Read "nobody", "keep", "hide", "undo", or a visitor's name (a group or a species).

    `group_of` has the group of each name that the box knows, groups among them; a name that is not in it
    is taken too, with an unknown group (""). `scientific_of` has scientific names by common name. Raises
    ValueError, with a sentence for people, for what can't be a name.
    """
    name = plain_name(what)
    if name == UNDO:
        return Word(None)
    if name in (Kind.NOBODY, Kind.KEEP, Kind.HIDE):
        return Word(Kind(name))
    if not name or not name.isprintable() or len(name) > _MOST_CHARACTERS:
        raise ValueError(f"a name is readable text of 1 to {_MOST_CHARACTERS} characters on one line")
    if name in (ANYTHING, NOT_SURE):
        raise ValueError(f'"{name}" is nobody\'s name; write a group such as "bird", or a species')
    group = group_of.get(name, "")
    if group == name:
        return Word(Kind.NAME, Visitor(group, 1.0))
    return Word(Kind.NAME, Visitor(group, 1.0, name, scientific_of.get(name)))
