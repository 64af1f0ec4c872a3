"""Which frames are in turn, where fewer are wanted than come. Pure."""

from __future__ import annotations

_EARLY = 0.1  # of a period: what comes this little too early, as a camera's frames do, is in turn


def in_turn(next_s: float, now_s: float, per_s: float) -> tuple[bool, float]:
    """Whether something at `now_s` is in turn, and when the next thing is.

    `next_s` is what the last call gave; minus infinity at first. `per_s` is how many a second are wanted.
    The mean rate holds also where what comes doesn't divide evenly; after a gap nothing is made up for.
    """
    period_s = 1.0 / per_s
    if now_s < next_s - _EARLY * period_s:
        return False, next_s
    following_s = next_s + period_s
    return True, following_s if following_s > now_s else now_s + period_s
