"""A sensor with a script, for trials without the thing and for tests.

The script is a list of ``SECONDS:VALUE`` with spaces between: what it says from that many seconds after
the first read. Between two numbers the value goes evenly from one to the other; ``gone`` and ``wild``
(a value that cannot be) hold until the next entry; the last entry holds for ever.

    0:24.0 3600:61.5 7200:gone 7260:58.0
"""

from __future__ import annotations

from dooryard.core.records import Moment
from dooryard.sensors.base import Range, Reading, Unit, gone, reading

GONE, WILD = "gone", "wild"
LIMITS = {
    Unit.CELSIUS: Range(-55.0, 125.0),
    Unit.PERCENT: Range(0.0, 100.0),
    Unit.MEGABYTES: Range(0.0, 1e9),
    Unit.DBM: Range(-120.0, 0.0),
    Unit.YES_NO: Range(0.0, 1.0),
}


class FakeSensor:
    """Says what its script says. Raises ValueError for a script that it cannot read."""

    def __init__(self, name: str, unit: Unit, script: str, *, every_s: float = 10.0) -> None:
        self.name, self.unit, self.every_s = name, unit, every_s
        self._entries = [_entry(word) for word in script.split()]
        if not self._entries:
            raise ValueError("a script needs at least one entry, such as 0:24.0")
        times = [at_s for at_s, _ in self._entries]
        if times != sorted(set(times)):
            raise ValueError("a script's times must grow")
        self._start_s: float | None = None

    def read(self, now: Moment) -> Reading:
        if self._start_s is None:
            self._start_s = now.mono_s
        says = self._says(now.mono_s - self._start_s)
        if says is None:
            return gone(self, now, "the script says so")
        return reading(self, now, says, LIMITS[self.unit])

    def _says(self, elapsed_s: float) -> float | None:
        before = [entry for entry in self._entries if entry[0] <= elapsed_s]
        (at_s, value) = before[-1] if before else self._entries[0]
        if value == GONE:
            return None
        if value == WILD:
            return 1e12
        assert isinstance(value, float)  # the other words are handled above
        following = self._entries[len(before) : len(before) + 1] if before else []
        if not following or isinstance(following[0][1], str):
            return value
        next_s, next_value = following[0][0], following[0][1]
        return value + (next_value - value) * (elapsed_s - at_s) / (next_s - at_s)


def _entry(word: str) -> tuple[float, float | str]:
    seconds, colon, value = word.partition(":")
    if not colon:
        raise ValueError(f"{word!r} is not SECONDS:VALUE, as 0:24.0 is")
    try:
        return float(seconds), value if value in (GONE, WILD) else float(value)
    except ValueError:
        raise ValueError(f"{word!r} is not SECONDS:VALUE, as 0:24.0 is, or 0:gone") from None
