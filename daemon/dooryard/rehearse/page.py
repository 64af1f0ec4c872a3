"""A rehearsal as one HTML page that needs nothing beside it: no script, no fonts, pictures inside. Pure."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from datetime import datetime
from html import escape
from importlib import resources

from dooryard.core.records import Outcome
from dooryard.core.wording import duration, label, percent, sentence
from dooryard.policy.changes import policy_changes
from dooryard.policy.local_time import local_day, local_time
from dooryard.rehearse.differ import Difference, differences, waits
from dooryard.rehearse.records import Rehearsal, RehearsedVisit
from dooryard.rehearse.table import rate, sums, why
from dooryard.rehearse.timeline import MARK, days_picture, recording_picture
from dooryard.rehearse.truth import Score

MOST_PICTURES = 300  # a page of some 10 MB; what is told keeps its picture first

_HEAD = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{title}</title>
<style>
{style}</style>
</head>
<body>
<h1>{title}</h1>
"""


def page(
    rehearsals: Sequence[Rehearsal],
    scores: Sequence[Score | None] = (),
    others: Sequence[Sequence[Rehearsal]] = (),
) -> str:
    """The page of one or several recordings; `others` are rehearsals of the same ones to compare with."""
    place = rehearsals[0].policy.place.name if rehearsals else ""
    title = f"A rehearsal at {place}" if place else "A rehearsal"
    style = resources.files(__package__).joinpath("page.css").read_text("utf-8")
    parts = [_HEAD.format(title=escape(title), style=style)]
    for i, rehearsal in enumerate(rehearsals):
        parts += _recording(rehearsal)
        parts += _told_beside("Heat and power", rehearsal, rehearsal.heat)
        parts += _told_beside("Absences", rehearsal, rehearsal.absences)
        scored = scores[i] if i < len(scores) else None
        if scored is not None:
            parts += _truth(scored)
        for other in others[i] if i < len(others) else ():
            parts += _against(rehearsal, other)
        parts += _visits(rehearsal)
    return "\n".join([*parts, "</body>", "</html>", ""])


def _recording(rehearsal: Rehearsal) -> Iterator[str]:
    yield f"<h2>{escape(rehearsal.recording)}</h2>"
    counts = sentence(sums(rehearsal))
    yield f'<p class="faint">Policy: {escape(rehearsal.policy_file)}. {escape(counts)}.</p>'
    for note in rehearsal.notes:
        yield f"<p>Note: {escape(note)}</p>"
    days = days_picture(rehearsal)
    if days:
        yield "<h3>The day</h3>"
        yield days
        yield (
            '<p class="faint">From above: night, twilight and day; watch hours, and quiet hours below them '
            "if there are any; the recording, pale while the camera was off; visits. A full mark was sent, "
            "a pale one held in quiet hours or a pause, a dashed one not sent.</p>"
        )
    recording = recording_picture(rehearsal)
    if recording:
        yield "<h3>The recording</h3>"
        yield recording


def _told_beside(heading: str, rehearsal: Rehearsal, news: Sequence[tuple[datetime, str]]) -> Iterator[str]:
    if news:
        yield f"<h3>{heading}</h3>"
        told = (
            f"<li>{escape(local_time(rehearsal.policy, wall))}: {escape(text)}</li>" for wall, text in news
        )
        yield f"<ul>{''.join(told)}</ul>"


def _truth(score: Score) -> Iterator[str]:
    yield "<h3>Against the truth</h3>"
    yield '<div class="scroll"><table>'
    yield "<tr><th>who really came</th><th>noticed</th><th>sent or held</th><th>named rightly</th></tr>"
    for line in score.lines:
        cells = [line.visitor, rate(line.noticed), rate(line.told), rate(line.named)]
        yield "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"
    yield "</table></div>"
    yield (
        f"<p>Alerts while nobody was there: {rate(score.false_alerts)}; visits likewise: "
        f"{rate(score.false_visits)}.</p>"
    )
    if score.note:
        yield f"<p>{escape(sentence(score.note))}.</p>"
    yield '<p class="faint">In brackets: 95 % limits by Wilson\'s score interval (1927).</p>'


def _against(first: Rehearsal, other: Rehearsal) -> Iterator[str]:
    yield f"<h3>With {escape(other.policy_file)} instead</h3>"
    changes = policy_changes(first.policy, other.policy)
    if changes:
        yield "<ul>" + "".join(f"<li>{escape(change)}</li>" for change in changes) + "</ul>"
    found = differences(first, other)
    yield f"<p>{escape(sentence(sums(other)))}.</p>"
    if not found:
        yield "<p>No decision differs.</p>"
    else:
        yield '<div class="scroll"><table><tr><th>came</th><th>what differs</th><th>why</th></tr>'
        yield from (_difference(first, difference) for difference in found)
        yield "</table></div>"
    if waited := waits(first, other):
        yield "<h4>Rules that waited for an earlier one</h4>"
        yield '<div class="scroll"><table><tr><th>came</th><th>who</th><th>before</th><th>now</th></tr>'
        for each in waited:
            cells = [[_when(first, each.seen)], [label(each.seen.visit.visitor)], each.a, each.b]
            texts = ("<br>".join(map(escape, cell or ("no rule waited",))) for cell in cells)
            yield "<tr>" + "".join(f"<td>{text}</td>" for text in texts) + "</tr>"
        yield "</table></div>"


def _difference(first: Rehearsal, difference: Difference) -> str:
    seen = difference.a or difference.b
    assert seen is not None
    reasons = [
        f"{name}: {why(side)}"
        for name, side in (("before", difference.a), ("now", difference.b))
        if side is not None
    ]
    cells = (
        escape(_when(first, seen)),
        escape(f"{label(seen.visit.visitor)}: {difference.what}"),
        "<br>".join(escape(reason) for reason in reasons),
    )
    return "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"


def _visits(rehearsal: Rehearsal) -> Iterator[str]:
    yield "<h3>Visits</h3>"
    if not rehearsal.seen:
        yield "<p>Nobody came.</p>"
    told_first = sorted(rehearsal.seen, key=lambda seen: seen.decision.outcome is not Outcome.TELL)
    pictured = {seen.visit.id for seen in told_first[:MOST_PICTURES]}
    if len(pictured) < len(rehearsal.seen):
        yield f"<p>Pictures are shown for {len(pictured)} of {len(rehearsal.seen)} visits.</p>"
    for seen in rehearsal.seen:
        yield _visit(rehearsal, seen, pictured=seen.visit.id in pictured)


def _visit(rehearsal: Rehearsal, seen: RehearsedVisit, *, pictured: bool) -> str:
    visit, decision = seen.visit, seen.decision
    name = label(visit.visitor)
    picture = ""
    if pictured and seen.jpeg is not None:
        data = base64.b64encode(seen.jpeg).decode()
        picture = f'<img alt="{escape(name)}" src="data:image/jpeg;base64,{data}">'
    clauses = "".join(
        f"<li>{'met' if clause.passed else 'not met'}: {escape(clause.text)}</li>"
        for clause in decision.clauses
    )
    kind = MARK[decision.outcome]
    again = ""
    if seen.still is not None:
        wall, text = seen.still
        again = f"<br>{escape(f'Sent again, {local_time(rehearsal.policy, wall)}: {text}')}"
    return (
        f'<article class="visit">{picture}<div>'
        f"<b>{escape(sentence(name))}</b>, {percent(visit.visitor.sure)} sure<br>"
        f'<span class="faint">{escape(_when(rehearsal, seen))}, stayed {duration(visit.stay_s)}</span><br>'
        f'<span class="mark {kind[0]}">{escape(decision.outcome.words)}</span> '
        f"{escape(why(seen).partition(': ')[2])}"
        f"{again}<details><summary>What was asked</summary><ol>{clauses}</ol></details>"
        "</div></article>"
    )


def _when(rehearsal: Rehearsal, seen: RehearsedVisit) -> str:
    wall = seen.visit.start.wall
    return f"{local_day(rehearsal.policy, wall)}, {local_time(rehearsal.policy, wall)}"
