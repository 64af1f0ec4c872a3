"""Marks made and taken back, and what the rest of the program learns from them. Edge."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from dooryard.core.errors import ConfigError
from dooryard.core.records import Visitor
from dooryard.core.wording import how_sure, spoken
from dooryard.history.database import AnnotationDatabase
from dooryard.history.entries import Entry, Kind, Mark
from dooryard.history.marking import understood
from dooryard.history.reader import Reader

_SAYS = {Kind.NOBODY: "nobody was there", Kind.KEEP: "kept for good", Kind.HIDE: "hidden from the journal"}


@dataclass(frozen=True, slots=True)
class Marked:
    """A mark that was made or taken back, and a sentence about it."""

    visit: str
    text: str


def make(
    state_folder: Path,
    visit: str,
    what: str,
    now: datetime,
    *,
    group_of: Mapping[str, str] | None = None,
    zone: ZoneInfo | None = None,
) -> Marked:
    """Mark `visit` (its id, a beginning or end of it that no other has, or "last") with `what`.

    `what` is "nobody", "keep", "hide", "undo" or a name; see `marking.understood`. Errors give times in
    `zone`, or in UTC. Raises ConfigError when there is no such visit or more than one, nothing to take back,
    or `what` can't be a name; StoreError when the folder can't be used.
    """
    with (
        contextlib.closing(AnnotationDatabase(state_folder)) as database,
        contextlib.closing(Reader(state_folder, database.said())) as reader,
    ):
        entry = reader.find(visit, zone)
        try:
            word = understood(what, group_of or {}, reader.scientific_names())
        except ValueError as error:
            raise ConfigError(
                str(error), 'write nobody, keep, hide, undo or a name such as "wren"'
            ) from error
        if word.kind is None:
            undone = database.undo(entry.id)
            if undone is None:
                raise ConfigError(f"there is no mark on visit {entry.id}", "mark it first")
            return Marked(entry.id, f"taken back: {says(undone)}")
        database.mark(entry.id, word.kind, now, word.visitor)
        had = f"the box had said {spoken(entry.told)}, {how_sure(entry.told)}"
        new = " (noted as a new name)" if word.visitor and not word.visitor.group else ""
        return Marked(entry.id, f"marked: {_word(word.kind, word.visitor)}{new}; {had}")


def says(mark: Mark) -> str:
    """A mark in words."""
    return _word(mark.kind, mark.visitor)


def verdicts(state_folder: Path) -> list[Entry]:
    """Visits of which people said who it was, or that nobody was there, in order of marking."""
    with (
        contextlib.closing(AnnotationDatabase(state_folder)) as database,
        contextlib.closing(Reader(state_folder, database.said())) as reader,
    ):
        judged = [visit for visit, said in database.said().items() if said.nobody or said.visitor]
        return [entry for visit in judged if (entry := reader.entry(visit)) is not None]


def kept(state_folder: Path) -> frozenset[str]:
    """Ids of visits to keep for good, for upkeep."""
    with contextlib.closing(AnnotationDatabase(state_folder)) as database:
        return frozenset(visit for visit, said in database.said().items() if said.keep)


def upkeep(state_folder: Path, keep_days: float, now: datetime) -> int:
    """Forget marks on visits that keeping took away, and the box's notes older than `keep_days`.

    Returns how many marked visits were forgotten.
    """
    with (
        contextlib.closing(AnnotationDatabase(state_folder)) as database,
        contextlib.closing(Reader(state_folder, {})) as reader,
    ):
        gone = [visit for visit in database.said() if reader.entry(visit) is None]
        # As the store does: a wrong clock must not empty the annotation database.
        reference = min(now, reader.newest() or now)
        database.forget_before(reference - timedelta(days=keep_days), gone)
        return len(gone)


def _word(kind: Kind, visitor: Visitor | None) -> str:
    return f"it was {spoken(visitor)}" if visitor else _SAYS[kind]
