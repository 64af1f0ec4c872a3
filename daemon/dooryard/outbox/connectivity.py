"""Which sinks cannot be reached: told once, and again when that is over.

A sink that fails now and then is no news: it has to fail for a while without one success. What is said at
the beginning goes to those that can be reached; where none can, only the log hears it until they can.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Protocol

from dooryard.core.records import Moment
from dooryard.core.wording import duration

AWAY_AFTER_S = 600.0


@dataclass(frozen=True, slots=True)
class Connectivity:
    """The sinks that were told as away, and since when they fail (monotonic seconds)."""

    away_since_s: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


def take(
    connectivity: Connectivity, failing_since_s: Mapping[str, float], sinks: frozenset[str], now_s: float
) -> tuple[Connectivity, tuple[str, ...]]:
    """Take in which of the box's `sinks` fail, and since when; return what is to be told."""
    away = dict(connectivity.away_since_s)
    gone = sorted(
        name
        for name, since_s in failing_since_s.items()
        if name in sinks and name not in away and now_s - since_s >= AWAY_AFTER_S
    )
    back = sorted(name for name in away if name not in failing_since_s)
    told = []
    if back:
        longest_s = max(now_s - away[name] for name in back)
        told.append(f"{_listed(back)} can be reached again, after {duration(longest_s)}")
    away = {name: since_s for name, since_s in away.items() if name not in back}
    away |= {name: failing_since_s[name] for name in gone}
    if gone:
        told.append(_gone(gone, all_away=away.keys() >= sinks))
    return Connectivity(MappingProxyType(away)), tuple(told)


def _gone(names: list[str], *, all_away: bool) -> str:
    text = f"{_listed(names)} cannot be reached: alerts wait and will be sent once it answers"
    return f"{text}; no sink can be reached, so the network may be down" if all_away else text


def _listed(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


class Failing(Protocol):
    """What knows which sinks fail, and since when: `outbox.dispatcher.Dispatcher`."""

    def failing(self) -> Mapping[str, float]: ...

    def now_s(self) -> float:
        """The clock that `failing` goes by: a simulated camera's runs at a pace of its own."""
        ...


class Tell(Protocol):
    """Tells of the box itself: `loop.Loop.tell`."""

    def __call__(self, kind: str, text: str, now: Moment, *, but: Collection[str]) -> None: ...


class ConnectivityMonitor:
    """Asked by the minute: tells which sinks are out of reach, to those that are not."""

    def __init__(self, dispatcher: Failing, tell: Tell) -> None:
        self._delivery = dispatcher
        self._tell = tell
        self._connectivity = Connectivity()

    def look(self, sinks: frozenset[str], now: Moment) -> None:
        self._connectivity, told = take(
            self._connectivity, self._delivery.failing(), sinks, self._delivery.now_s()
        )
        for text in told:
            self._tell("network", text, now, but=self._connectivity.away_since_s.keys())
