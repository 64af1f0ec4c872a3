"""The parts of the language that the second reading knows and the engine may not have yet.

A part is compared once its name stands in `COMPARED`; for one run, `tools/compare_readings --with NAME` does.
"""

from __future__ import annotations

from typing import Final

from dooryard.policy.schema import Policy, Rule, Window

COMPARED: Final[frozenset[str]] = frozenset(
    {"dates", "new", "at_once", "visits_in_hour", "still_here", "pause", "mute", "sink", "absence"}
)

# What the schema has of each: keys of a rule or of a window, or a table.
KEYS: Final[dict[str, set[str]]] = {
    "dates": {"rule.dates", "window.dates"},
    "new": {"rule.new", "rule.unseen_days"},
    "at_once": {"rule.at_once"},
    "visits_in_hour": {"rule.visits_in_hour"},
    "still_here": {"rule.still_here_min"},
    "pause": {"pause"},
    "mute": set(),  # a command, not a key
    "sink": {"sink"},
    "absence": {"absence"},
}
# A single visit shows nothing of these, so `made.case` has the others only.
OF_DAYS: Final = frozenset({"new", "at_once", "visits_in_hour", "still_here", "mute"})


def in_schema() -> set[str]:
    """The families of which the schema has a key."""
    keys = {f"rule.{key}" for key in Rule.model_fields} | {f"window.{key}" for key in Window.model_fields}
    keys |= set(Policy.model_fields)
    return {family for family, of_family in KEYS.items() if of_family & keys}
