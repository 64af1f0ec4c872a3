"""Which of the two sorts of file it is: a policy, or a box file. Pure.

The tables are named here because neither schema may know the other: the box file's is built on this room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

Sort = Literal["policy", "box"]

POLICY_TABLES = frozenset(
    {
        "place", "hours", "rule", "summary", "absence", "pause", "sink", "keeping", "heat", "low_power",
        "moisture", "disk", "messages",
    }
)  # fmt: skip
BOX_TABLES = frozenset(
    {
        "name", "state_folder", "camera", "classifier", "gate", "visit", "sensor", "button", "lamp",
        "recorder", "journal", "heartbeat", "sink",
    }
)  # fmt: skip
CALLED: dict[Sort, str] = {"policy": "policy", "box": "box file"}


SHARED = frozenset({"sink"})  # tables that both sorts have, with keys of their own
_SINK_OF_POLICY = frozenset({"quiet", "summary_at", "at_most_per_day", "instead", "instead_after_min"})
_SINK_OF_BOX = frozenset({"kind", "url", "host"})


def sort_of(keys: Iterable[str]) -> Sort:
    """Which sort of file has `keys` at its top (or is that mapping); a policy in case of doubt."""
    policy, box = _marks(keys)
    return "box" if len(box) > len(policy) else "policy"


def looks_like(keys: Iterable[str], wanted: Iterable[str]) -> str | None:
    """What a file with `keys` is called where it is plainly the other sort than one of `wanted` keys.

    None where it has any key that is wanted, or none that the other sort has.
    """
    policy, box = _marks(keys)
    own = set(wanted) - SHARED
    wants_box = bool(own & BOX_TABLES)
    mine, other = (box, policy) if wants_box else (policy, box)
    if mine or set(keys) & own or not other:
        return None
    return CALLED["policy" if wants_box else "box"]


def _marks(keys: Iterable[str]) -> tuple[set[str], set[str]]:
    """Those of `keys` that speak for a policy, and those that speak for a box file."""
    found = set(keys)
    policy, box = found & POLICY_TABLES, found & BOX_TABLES
    inside = _sink_keys(keys)
    of_box = not inside or inside & _SINK_OF_BOX
    of_policy = not of_box and inside & _SINK_OF_POLICY
    return policy if of_policy else policy - SHARED, box if of_box else box - SHARED


def _sink_keys(keys: Iterable[str]) -> set[str]:
    """The keys of the sinks' tables; none where only names of tables are known."""
    tables = keys.get("sink") if isinstance(keys, Mapping) else None
    return {key for table in (tables if isinstance(tables, list) else [tables])
            if isinstance(table, Mapping) for key in table}  # fmt: skip
