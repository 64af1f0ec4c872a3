"""One visit as a page shows it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dooryard.core.records import Outcome
from dooryard.core.wording import duration, how_sure, listed, percent, sentence, spoken
from dooryard.history.entries import Entry, why_not_told
from dooryard.journal import paths
from dooryard.journal.phrases import clock, short_date, title_of


@dataclass(frozen=True, slots=True)
class VisitCard:
    """All texts and links of one visit; links are relative to the journal's folder."""

    id: str
    anchor: str
    title: str
    scientific: str | None
    visitor_href: str
    day_href: str
    time: str  # "14:03", or "time not known"
    date: str
    iso: str | None
    stay: str
    sure: str
    sure_part: float
    small: str | None
    large: str | None
    alt: str
    outcome: str  # "told", "held" or "silent": chooses the look
    outcome_text: str
    correction: str | None
    kept: bool
    nobody: bool
    clauses: tuple[tuple[str, str], ...]  # ("yes" or "no", text)


_LOOK = {Outcome.TELL: "told", Outcome.HOLD: "held", Outcome.SILENT: "silent"}


def card(entry: Entry, zone: ZoneInfo) -> VisitCard:
    """`entry` in words, its times at the place."""
    day = entry.day(zone)
    return VisitCard(
        id=entry.id,
        anchor=paths.anchor(entry),
        title="Nobody" if entry.said.nobody else title_of(entry.visitor),
        scientific=entry.visitor.scientific if entry.visitor.species and not entry.said.nobody else None,
        visitor_href=paths.visitor_page(entry.visitor.key),
        day_href=f"{paths.day_page(day)}#{paths.anchor(entry)}",
        time=clock(entry.start, zone) if day else "time not known",
        date=short_date(day) if day else "date not known",
        iso=entry.start.isoformat(timespec="seconds") if day else None,
        stay=f"{'stayed' if entry.ended else 'has stayed'} {duration(entry.stay_s)}",
        sure=sureness(entry),
        sure_part=1.0 if entry.said.visitor else entry.told.sure,
        small=paths.small_picture(entry, zone),
        large=paths.large_picture(entry, zone),
        alt=alternative(entry, zone),
        outcome=_LOOK[entry.outcome],
        outcome_text=outcome_text(entry),
        correction=correction(entry),
        kept=entry.said.keep,
        nobody=entry.said.nobody,
        clauses=tuple(("yes" if clause.passed else "no", clause.text) for clause in entry.clauses),
    )


def sureness(entry: Entry) -> str:
    """How sure the box was at the end, and when it told, if it was not the same; or that a person said it."""
    if entry.said.nobody:
        return "corrected by a person"
    if entry.said.visitor:
        return "named by a person"
    at_end = how_sure(entry.told, "at the end" if entry.ended else "so far")
    before = entry.told_as
    if before is None or (before.key, percent(before.sure)) == (entry.told.key, percent(entry.told.sure)):
        return at_end
    who = "" if before.key == entry.told.key else f"{spoken(before)}, "
    how = how_sure(before).removesuffix(" sure")
    return f"{at_end}; {who}{how} when decided"


def outcome_text(entry: Entry) -> str:
    """What was done about it, and why, if it was not told at once."""
    if entry.outcome is Outcome.TELL:
        return f"sent to {listed(entry.sinks)}" if entry.sinks else "sent"
    return f"{entry.outcome.words}: {why_not_told(entry)}"


def correction(entry: Entry) -> str | None:
    """What the box had said, where a person said something."""
    had = f"The box had said: {spoken(entry.told)}, {how_sure(entry.told)}."
    if entry.said.nobody:
        return f"Nobody was there. {had}"
    return had if entry.said.visitor else None


def alternative(entry: Entry, zone: ZoneInfo) -> str:
    """What stands for the picture where it can't be seen."""
    who = "The empty view" if entry.said.nobody else sentence(spoken(entry.visitor))
    day = entry.day(zone)
    when = f", {short_date(day)} at {clock(entry.start, zone)}" if day else ""
    return f"{who}{when}"
