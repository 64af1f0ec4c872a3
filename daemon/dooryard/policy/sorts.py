"""Which of the two sorts of file it is: a policy, or a box file. Pure.

The tables are named here because neither schema may know the other: the box file's is built on this room.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

Sort = Literal["policy", "box"]

POLICY_TABLES = frozenset(
    {
        "place", "hours", "rule", "summary", "absence", "pause", "keeping", "heat", "low_power", "moisture",
        "disk", "messages",
    }
)  # fmt: skip
BOX_TABLES = frozenset(
    {
        "name", "state_folder", "camera", "classifier", "gate", "visit", "sensor", "button", "lamp",
        "recorder", "journal", "heartbeat", "sink",
    }
)  # fmt: skip
CALLED: dict[Sort, str] = {"policy": "policy", "box": "box file"}


def sort_of(keys: Iterable[str]) -> Sort:
    """Which sort of file has `keys` at its top; a policy in case of doubt."""
    found = set(keys)
    return "box" if len(found & BOX_TABLES) > len(found & POLICY_TABLES) else "policy"


def looks_like(keys: Iterable[str], wanted: Iterable[str]) -> str | None:
    """What a file with `keys` is called where it is plainly the other sort than one of `wanted` keys.

    None where it has any key that is wanted, or none that the other sort has.
    """
    found, mine = set(keys), set(wanted)
    if found & mine:
        return None
    if mine & BOX_TABLES:
        return CALLED["policy"] if found & POLICY_TABLES else None
    return CALLED["box"] if found & BOX_TABLES else None
