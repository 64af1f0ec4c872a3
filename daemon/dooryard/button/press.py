"""Edges in, presses out. Pure; times are monotonic seconds.

Contacts bounce for some milliseconds, so a level counts only when no edge came for `settle_s`. This is
done here and not by the pin library, because its stand-in for tests does not do it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

_ROUNDING_S = 1e-6  # who wakes after exactly `wait_s` must find it done, whatever the sums round to


class Press(StrEnum):
    """What somebody did."""

    SHORT = "short press"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class PressSettings:
    """How long is long; seconds."""

    settle_s: float = (
        0.03  # without an edge before a level counts; contacts bounce for less (common practice)
    )
    hold_s: float = 3.0  # held down for this long: it is meant


@dataclass(frozen=True, slots=True)
class PressState:
    """What is known of the button."""

    raw: bool  # down, as last seen
    edge_s: float  # when the last edge came
    down: bool  # down, as it counts
    down_s: float = 0.0  # since when it is down
    spent: bool = False  # this press has been told, or is none: wait for the release


def begin(now_s: float, *, down: bool) -> PressState:
    """The state at the start. A button that is down by then is stuck or miswired: that is no press."""
    return PressState(raw=down, edge_s=now_s, down=down, down_s=now_s, spent=down)


def edge(state: PressState, at_s: float, *, down: bool) -> PressState:
    """Take in an edge and the level after it. An edge without a change of level is a bounce."""
    return replace(state, raw=down, edge_s=at_s)


def tick(state: PressState, now_s: float, settings: PressSettings) -> tuple[PressState, Press | None]:
    """Let time pass; the press that it makes, if any."""
    settled = now_s >= state.edge_s + settings.settle_s - _ROUNDING_S
    if settled and state.raw != state.down:
        if state.raw:
            return replace(state, down=True, down_s=state.edge_s, spent=False), None
        press = None if state.spent else Press.SHORT
        return replace(state, down=False, spent=False), press
    held = state.down and state.raw and now_s >= state.down_s + settings.hold_s - _ROUNDING_S
    if held and not state.spent:
        return replace(state, spent=True), Press.HELD
    return state, None


def wait_s(state: PressState, now_s: float, settings: PressSettings) -> float | None:
    """Seconds until `tick` has something to do without a further edge; None: only an edge can bring that."""
    if state.raw != state.down:
        return max(0.0, state.edge_s + settings.settle_s - now_s)
    if state.down and not state.spent:
        return max(0.0, state.down_s + settings.hold_s - now_s)
    return None


def stuck_s(state: PressState, now_s: float) -> float:
    """Seconds that the button has been down; 0 while it is up."""
    return now_s - state.down_s if state.down else 0.0
