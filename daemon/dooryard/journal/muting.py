"""A mute asked for, shown and ended, in the notes beside the marks. Edge."""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path

from dooryard.core.errors import ConfigError
from dooryard.history.database import AnnotationDatabase
from dooryard.policy.mute import hushed, mute_end, mute_holds, muted_text
from dooryard.policy.schema import Policy
from dooryard.sensors.clock_state import clock_is_set


def mute(state_folder: Path, text: str, policy: Policy, now: datetime) -> str:
    """Ask for a mute until `text` (see `policy.mute.GRAMMAR`), in place of one that holds; says until when.

    Raises ConfigError for what is no such time, and while the clock is not set; StoreError when the folder
    can't be used.
    """
    if not clock_is_set(now):
        raise ConfigError(
            "the clock is not set, so it is not known when a mute would end",
            "set the clock, or wait until it is",
        )
    until = mute_end(text, now, policy.place)
    with contextlib.closing(AnnotationDatabase(state_folder)) as database:
        database.mute(until, now)
    return muted_text(policy.place, until, now)


def end(state_folder: Path, now: datetime) -> bool:
    """End the mute; whether one held. Raises StoreError."""
    with contextlib.closing(AnnotationDatabase(state_folder)) as database:
        until = database.muted_until()
        database.mute(None, now)
    return until is not None and mute_holds(until, now)


def holds(database: AnnotationDatabase, policy: Policy, now: datetime) -> tuple[str, bool]:
    """The mute or pause that holds, in words ("": neither), and whether it is a mute. Raises StoreError."""
    found = hushed(policy, database.muted_until(), now, clock_is_set(now))
    return ("", False) if found is None else (found.text, found.name == "mute")
