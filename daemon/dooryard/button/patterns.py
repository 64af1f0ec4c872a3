"""What the lamp shows: words for people, on and off times for the lamp. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Shows(StrEnum):
    """What the lamp can say; the value is what the README says it looks like."""

    DARK = "dark"
    RUNNING = "one short blink every five seconds"
    SEEING = "steady light"
    SENDING = "two short blinks every two seconds"
    LATE = "three short blinks every four seconds"
    HOT = "slow, even blinking: one second on, one second off"
    HALTING = "fast blinking, five times a second"


MEANS: dict[Shows, str] = {
    Shows.DARK: "halted, or without power: when dark after a halt, the plug may be pulled",
    Shows.RUNNING: "it runs and nobody is there",
    Shows.SEEING: "somebody is there",
    Shows.SENDING: "an alert is being sent",
    Shows.LATE: "alerts wait because the network is down",
    Shows.HOT: "too hot: it does less until it has cooled",
    Shows.HALTING: "it is halting: don't unplug it",
}

Steps = tuple[tuple[bool, float], ...]
"""(lit, seconds), over and over."""


def _blinks(count: int, every_s: float) -> Steps:
    rest_s = every_s - count * 0.15 - (count - 1) * 0.2
    return (*((True, 0.15), (False, 0.2)) * (count - 1), (True, 0.15), (False, rest_s))


STEPS: dict[Shows, Steps] = {
    Shows.DARK: ((False, 60.0),),
    Shows.RUNNING: _blinks(1, 5.0),
    Shows.SEEING: ((True, 60.0),),
    Shows.SENDING: _blinks(2, 2.0),
    Shows.LATE: _blinks(3, 4.0),
    Shows.HOT: ((True, 1.0), (False, 1.0)),
    Shows.HALTING: ((True, 0.1), (False, 0.1)),
}


@dataclass(frozen=True, slots=True)
class LampState:
    """The lamp at one moment."""

    lit: bool
    for_s: float  # until it changes or the pattern repeats


def light(shows: Shows, elapsed_s: float) -> LampState:
    """The lamp `elapsed_s` after it began to show `shows`."""
    steps = STEPS[shows]
    left_s = elapsed_s % sum(seconds for _, seconds in steps)
    for lit, seconds in steps:
        if left_s < seconds:
            return LampState(lit, seconds - left_s)
        left_s -= seconds
    return LampState(*steps[0])  # rounding: the cycle is just over


def choose(*, halting: bool, hot: bool, seeing: bool, sending: bool, late: bool) -> Shows:
    """What to show when several things hold: what must not be missed goes first."""
    for holds, shows in (
        (halting, Shows.HALTING),
        (hot, Shows.HOT),
        (seeing, Shows.SEEING),
        (sending, Shows.SENDING),
        (late, Shows.LATE),
    ):
        if holds:
            return shows
    return Shows.RUNNING
