"""A rehearsal as text for the terminal. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dooryard.core.records import Outcome
from dooryard.core.wording import duration, label, percent
from dooryard.rehearse.differ import Difference, waits
from dooryard.rehearse.records import Rehearsal, RehearsedVisit
from dooryard.rehearse.truth import Rate, Score

_WHO = 28


def told_table(rehearsal: Rehearsal) -> str:
    """A row for each visit, and what it comes to."""
    lines = [f"{rehearsal.recording}, by {rehearsal.policy_file}:"]
    if not rehearsal.seen:
        lines.append("  nobody came")
    else:
        lines.append(f"  {'came':<15}{'stayed':>8}   {'who':<{_WHO}}{'sure':>5}   what was decided, and why")
    for seen in rehearsal.seen:
        lines.append(_row(rehearsal, seen))
        if seen.still is not None:
            wall, text = seen.still
            lines.append(f"  {_time(rehearsal, wall)}  sent again: {text}")
    lines += [f"  {_time(rehearsal, wall)}  {text}" for wall, text in rehearsal.heat]
    lines += [f"  {_time(rehearsal, wall)}  {text}" for wall, text in rehearsal.absences]
    lines.append(f"  {sums(rehearsal)}")
    lines += [f"  note: {note}" for note in rehearsal.notes]
    return "\n".join(lines) + "\n"


def sums(rehearsal: Rehearsal) -> str:
    """One line: frames, time, visits, alerts."""
    counts = dict.fromkeys(Outcome, 0)
    for seen in rehearsal.seen:
        counts[seen.decision.outcome] += 1
    lasted = ""
    if rehearsal.first and rehearsal.last:
        lasted = f" in {duration((rehearsal.last - rehearsal.first).total_seconds())}"
    parts = [f"{count} {outcome.words}" for outcome, count in counts.items() if count]
    again = sum(seen.still is not None for seen in rehearsal.seen)
    parts += [f"{again} sent again as still here"] if again else []
    visits = f"{len(rehearsal.seen)} {'visit' if len(rehearsal.seen) == 1 else 'visits'}"
    frames = "1 frame" if rehearsal.frames == 1 else f"{rehearsal.frames} frames"
    told = len(rehearsal.absences)
    absences = f", {told} {'message' if told == 1 else 'messages'} on absences" if told else ""
    return f"{frames}{lasted}: {visits}" + (f" ({', '.join(parts)})" if parts else "") + absences


def difference_table(a: Rehearsal, b: Rehearsal, changes: Sequence[str], found: Sequence[Difference]) -> str:
    """Only what differs, and why."""
    lines = [f"{a.recording}: {b.policy_file} against {a.policy_file}"]
    lines += [f"  {change}" for change in changes] or ["  the two policies ask for the same"]
    if not found:
        lines.append(f"  no decision differs, of {len(a.seen)}")
    for difference in found:
        seen = difference.a or difference.b
        assert seen is not None
        who = label(seen.visit.visitor)
        lines.append(f"  {_time(a, difference.start)}  {who}: {difference.what}")
        lines += [f"      {each.policy_file}: {why(side)}" for each, side in
                  ((a, difference.a), (b, difference.b)) if side is not None]  # fmt: skip
    for each in waits(a, b):
        lines.append(f"  {_time(a, each.seen.visit.start.wall)}  {label(each.seen.visit.visitor)}: waits")
        lines += [f"      {side.policy_file}: {text}" for side, texts in
                  ((a, each.a), (b, each.b)) for text in texts or ("no rule waited",)]  # fmt: skip
    lines.append(f"  {a.policy_file}: {sums(a)}")
    lines.append(f"  {b.policy_file}: {sums(b)}")
    return "\n".join(lines) + "\n"


def score_table(rehearsal: Rehearsal, score: Score) -> str:
    """Recall by visitor and false alerts, with their 95 % limits."""
    lines = [
        f"{rehearsal.recording}, by {rehearsal.policy_file}, against the truth (95 % limits, Wilson 1927):"
    ]
    head = f"  {'who really came':<24}{'noticed':<26}{'sent or held':<26}named rightly"
    lines.append(head)
    lines += [
        f"  {line.visitor:<24}{rate(line.noticed):<26}{rate(line.told):<26}{rate(line.named)}".rstrip()
        for line in score.lines
    ]
    lines.append(
        f"  alerts while nobody was there: {rate(score.false_alerts)}; visits likewise: "
        f"{rate(score.false_visits)}"
    )
    if score.note:
        lines.append(f"  {score.note}")
    return "\n".join(lines) + "\n"


def rate(value: Rate) -> str:
    """Text like "7 of 8 (53 to 98 %)"."""
    if value.total == 0:
        return "none of none"
    low, high = value.limits
    return f"{value.count} of {value.total} ({low * 100:.0f} to {high * 100:.0f} %)"


def why(seen: RehearsedVisit) -> str:
    """The end of the reason's sentence, after place and visitor."""
    outcome, _, rest = seen.decision.reason.partition(": ")
    return f"{outcome}: {rest.rpartition(': ')[2]}"


def _row(rehearsal: Rehearsal, seen: RehearsedVisit) -> str:
    visit = seen.visit
    return (
        f"  {_time(rehearsal, visit.start.wall):<15}{duration(visit.stay_s):>8}   "
        f"{label(visit.visitor):<{_WHO}}{percent(visit.visitor.sure):>5}   {why(seen)}"
    )


def _time(rehearsal: Rehearsal, wall: datetime) -> str:
    local = wall.astimezone(rehearsal.policy.place.zone)
    return f"{local.day:>2} {local:%b %H:%M:%S}"
