"""How many attempts a sink gets in a while: pure, values in, a new value out.

A bucket that leaks: each attempt takes a token, and it empties at a steady rate. While it is full, only
urgent alerts go. After a restart it is empty, so a program that starts again and again is slowed by its
start, not by this.
"""

from __future__ import annotations

from dataclasses import dataclass

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class TokenBucket:
    """Tokens taken so far. `at_s` is monotonic."""

    level: float = 0.0
    at_s: float = float("-inf")


def token_taken(pace: TokenBucket, now_s: float, per_hour: float) -> TokenBucket:
    """The bucket after one more attempt at `now_s`."""
    return TokenBucket(_level(pace, now_s, per_hour) + 1.0, now_s)


def free_from_s(pace: TokenBucket, per_hour: float, burst: int) -> float:
    """When there is room for the next attempt, in monotonic seconds; may lie in the past."""
    excess = pace.level + 1.0 - burst
    return pace.at_s if excess <= 0 else pace.at_s + excess * _HOUR_S / per_hour


def _level(pace: TokenBucket, now_s: float, per_hour: float) -> float:
    if pace.level == 0.0:
        return 0.0
    return max(0.0, pace.level - (now_s - pace.at_s) * per_hour / _HOUR_S)
