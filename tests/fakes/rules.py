"""Visits and policies for the tests of the rules, short to write."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from dooryard.core.records import Box, Moment, Visit, Visitor
from dooryard.policy.schema import Policy

START = Moment(datetime(2026, 6, 14, 13, 3, tzinfo=UTC), 7_000_000.0)
SINKS = frozenset({"phone", "post"})
ALDER_ROW = {
    "name": "Alder Row",
    "latitude": 51.752,
    "longitude": -1.258,
    "time_zone": "Europe/London",
}


def later(seconds: float, start: Moment = START) -> Moment:
    """`seconds` after `start` on both clocks."""
    return Moment(start.wall + timedelta(seconds=seconds), start.mono_s + seconds)


def visit(
    group: str = "squirrel",
    species: str | None = None,
    scientific: str | None = None,
    *,
    sure: float = 0.9,
    group_sure: float | None = None,
    stay_s: float = 12.0,
    ended: bool = False,
    start: Moment = START,
    number: int = 1,
) -> Visit:
    seen = later(stay_s, start)
    return Visit(
        id=f"visit-{number}",
        start=start,
        last_seen=seen,
        visitor=Visitor(group, sure, species, scientific, group_sure),
        sightings=5,
        box=Box(0.4, 0.4, 0.6, 0.6),
        best=None,
        best_score=1.0,
        end=seen if ended else None,
    )


def policy(*rules: dict[str, Any], **tables: object) -> Policy:
    """A policy at Alder Row with `rules`, each as its TOML table; "name" and "visitor" have defaults."""
    filled = [{"name": f"rule {i + 1}", "visitor": ["anything"], **rule} for i, rule in enumerate(rules)]
    return Policy.model_validate({"place": ALDER_ROW, "rule": filled, **tables})
