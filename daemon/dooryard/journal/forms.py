"""Marks made on a page: what a form says, and the page of marks."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from dooryard.core.wording import sentence
from dooryard.history.annotations import says
from dooryard.journal import paths, render
from dooryard.journal.page_source import PageSource
from dooryard.journal.phrases import clock, many, short_date

MARKS = "marks.html"
MUTE_END = "end"
_NEWEST = 100
_BACK = re.compile(r"(day/[a-z0-9-]+\.html|marks\.html)(#visit-[0-9a-f-]+)?")


@dataclass(frozen=True, slots=True)
class Asked:
    """What a form asks for."""

    visit: str
    what: str  # "nobody", "keep", "hide", "undo" or a name
    back: str  # the page to go back to
    token: str
    until: str = ""  # until when to mute; "end": no longer


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A mark on the page of marks."""

    visit: str
    when: str
    href: str | None
    text: str


def read(values: Mapping[str, str]) -> Asked:
    """Take a form's values; whatever leads elsewhere goes back to the first page."""
    what = values.get("what", "")
    back = values.get("back", "")
    return Asked(
        visit=values.get("visit", ""),
        what=values.get("name", "") if what == "name" else what,
        back=back if _BACK.fullmatch(back) else "",
        token=values.get("token", ""),
        until=values.get("until", ""),
    )


def marks_html(source: PageSource, forms: render.Forms) -> bytes:
    """The newest marks, each with a way to take it back."""
    zone, lines = source.policy.place.zone, []
    for mark in reversed(source.database.marks(_NEWEST)):
        entry = source.reader.entry(mark.visit)
        day = entry.day(zone) if entry else None
        when = (
            f"{short_date(day)}, {clock(entry.start, zone)}" if entry and day else "a visit of unknown time"
        )
        hidden = entry is None or entry.said.hide
        href = None if entry is None or hidden else f"{paths.day_page(day)}#{paths.anchor(entry)}"
        lines.append(MarkRow(mark.visit, when if entry else "a visit that is gone", href, says(mark)))
    lead = sentence(f"{many(len(lines), 'mark')}, the newest first.") if lines else "Nothing is marked yet."
    return render.page(
        "marks.html",
        MARKS,
        {"lines": lines, "lead": lead, "picture": None},
        source.shared,
        title=f"Marks at {source.shared.place}",
        description=lead,
        forms=forms,
    )
