"""What the absences remember, as text over a restart. Pure."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from dooryard.core.errors import StoreError
from dooryard.policy.absence import Absences, AbsenceState, Day

VERSION = 1


def to_json(state: Absences) -> str:
    """The state as text, without what was watched since the last look: a minute at most."""
    waits = {name: asdict(wait) for name, wait in state.waits.items()}
    return json.dumps({"version": VERSION, "waits": waits})


def from_json(text: str) -> Absences:
    """The state that `to_json` wrote. Raises StoreError if it is not such a text."""
    try:
        return _restored(json.loads(text))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise StoreError(
            f"what was saved of absences cannot be read ({type(error).__name__}: {error})",
            "remove that state; absences then start over",
        ) from error


def _restored(data: dict[str, Any]) -> Absences:
    if data["version"] != VERSION:
        raise ValueError(f"version {data['version']!r}, not {VERSION}")
    return Absences({name: _wait(wait) for name, wait in data["waits"].items()})


def _wait(data: dict[str, Any]) -> AbsenceState:
    days = data["days"]
    if not isinstance(days, list):
        raise ValueError("days are a list")  # noqa: TRY004  the caller takes it for damage like the rest
    wait = AbsenceState(**data | {"days": tuple(_day(**day) for day in days)})
    texts, flags = (wait.asks, wait.seed, wait.since), (wait.told, wait.came)
    if not all(isinstance(text, str) for text in texts) or not all(isinstance(flag, bool) for flag in flags):
        raise ValueError("a text or a yes or no is not what it should be")
    if not isinstance(wait.number, int) or wait.number < 0 or not _is_seconds(wait.watched_s):
        raise ValueError("a number is not what it should be")
    if wait.since and datetime.fromisoformat(wait.since).tzinfo is None:
        raise ValueError("since has no zone")
    return wait


def _day(on: str, watched_s: float, came: bool, looked: bool) -> Day:
    date.fromisoformat(on)
    if not _is_seconds(watched_s) or not isinstance(came, bool) or not isinstance(looked, bool):
        raise ValueError("a day is not what it should be")
    return Day(on, watched_s, came, looked)


def _is_seconds(value: object) -> bool:
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value >= 0
    )
