"""What each class of a model is, and may be called. Pure.

The table is CSV with the columns `index` (counting from 0), `name` (lower case), `scientific` (where
the class is one species), `group` (one of `GROUPS`, or empty for what is not an animal), `trust` (yes:
the species name may be told) and `reason` (for the trust).
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from dooryard.core.errors import ModelError

GROUPS = ("bird", "squirrel", "cat", "dog", "fox", "rabbit", "animal")
"""All groups that a model may tell; "animal" is any other. A person is not among them."""

COLUMNS = ["index", "name", "scientific", "group", "trust", "reason"]
_REMEDY = "put back the label table that belongs to the model, or install the package again"


@dataclass(frozen=True, slots=True)
class Label:
    """One class."""

    index: int
    name: str
    scientific: str | None
    group: str | None
    trusted: bool
    reason: str


def parse(text: str, classes: int, where: str) -> tuple[Label, ...]:
    """Read a label table of exactly `classes` rows; `where` names it in errors.

    Raises ModelError naming the first line that is wrong.
    """
    reader = csv.DictReader(io.StringIO(text))
    if reader.fieldnames != COLUMNS:
        raise ModelError(f"{where}:1: the columns must be {', '.join(COLUMNS)}", _REMEDY)
    found: list[Label] = []
    for line, row in enumerate(reader, start=2):
        problem = _problem(row, len(found))
        if problem:
            raise ModelError(f"{where}:{line}: {problem}", _REMEDY)
        found.append(
            Label(
                index=len(found),
                name=row["name"],
                scientific=row["scientific"] or None,
                group=row["group"] or None,
                trusted=row["trust"] == "yes",
                reason=row["reason"],
            )
        )
    if len(found) != classes:
        raise ModelError(f"{where}: {len(found)} classes, but the model has {classes}", _REMEDY)
    return tuple(found)


def _problem(row: dict[str, str], index: int) -> str | None:
    if None in row or None in row.values():
        return "the wrong number of columns"
    if row["index"] != str(index):
        return f"index is {row['index']!r}, expected {index}"
    if not row["name"] or row["name"] != row["name"].lower():
        return f"the name {row['name']!r} must be there and in lower case"
    if row["group"] and row["group"] not in GROUPS:
        return f"unknown group {row['group']!r}; there are {', '.join(GROUPS)}"
    if row["trust"] != "no" and not (row["trust"] == "yes" and row["group"]):
        return f"trust is {row['trust']!r}; it must be no, or yes in a class with a group"
    return None
