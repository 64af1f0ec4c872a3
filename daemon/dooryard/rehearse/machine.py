"""A rehearsal as plain data, for other programs. Pure.

Times are ISO 8601 in UTC. The form is this program's own; `format` grows when it changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dooryard.rehearse.differ import Difference
from dooryard.rehearse.records import Rehearsal, RehearsedVisit
from dooryard.rehearse.truth import Rate, Score

FORMAT = 1


def rehearsal_data(rehearsal: Rehearsal, score: Score | None = None) -> dict[str, Any]:
    data: dict[str, Any] = {
        "recording": rehearsal.recording,
        "policy": rehearsal.policy_file,
        "first": rehearsal.first.isoformat() if rehearsal.first else None,
        "last": rehearsal.last.isoformat() if rehearsal.last else None,
        "frames": rehearsal.frames,
        "looks": rehearsal.looks,
        "nobody_after_all": rehearsal.nobody,
        "rests": [[start.isoformat(), end.isoformat()] for start, end in rehearsal.rests],
        "heat": [[wall.isoformat(), text] for wall, text in rehearsal.heat],
        "absences": [[wall.isoformat(), text] for wall, text in rehearsal.absences],
        "visits": [seen_data(seen) for seen in rehearsal.seen],
        "notes": list(rehearsal.notes),
    }
    return data | ({"truth": score_data(score)} if score else {})


def seen_data(seen: RehearsedVisit) -> dict[str, Any]:
    visit, visitor, decision = seen.visit, seen.visit.visitor, seen.decision
    return {
        "id": visit.id,
        "start": visit.start.wall.isoformat(),
        "end": seen.end.isoformat(),
        "stay_s": round(visit.stay_s, 3),
        "group": visitor.group,
        "species": visitor.species,
        "scientific": visitor.scientific,
        "sure": round(visitor.sure, 4),
        "sightings": visit.sightings,
        "box": [round(edge, 4) for edge in visit.box],
        "decided": seen.decided.wall.isoformat(),
        "outcome": decision.outcome.value,
        "sinks": list(decision.sinks),
        "rule": decision.rule,
        "reason": decision.reason,
        "still_here": [seen.still[0].isoformat(), seen.still[1]] if seen.still else None,
        "clauses": [{"name": c.name, "passed": c.passed, "text": c.text} for c in decision.clauses],
    }


def difference_data(found: Sequence[Difference], changes: Sequence[str]) -> dict[str, Any]:
    return {
        "policy_changes": list(changes),
        "visits": [
            {
                "what": difference.what,
                "first": seen_data(difference.a) if difference.a else None,
                "second": seen_data(difference.b) if difference.b else None,
            }
            for difference in found
        ],
    }


def score_data(score: Score) -> dict[str, Any]:
    return {
        "visitors": [
            {
                "visitor": line.visitor,
                "noticed": _rate(line.noticed),
                "told_or_held": _rate(line.told),
                "named_rightly": _rate(line.named),
            }
            for line in score.lines
        ],
        "false_alerts": _rate(score.false_alerts),
        "false_visits": _rate(score.false_visits),
        "hours": round(score.hours, 4),
    } | ({"note": score.note} if score.note else {})


def _rate(rate: Rate) -> dict[str, Any]:
    low, high = rate.limits
    return {"count": rate.count, "total": rate.total, "low": round(low, 4), "high": round(high, 4)}
