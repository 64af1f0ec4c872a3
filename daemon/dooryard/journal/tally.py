"""How often the box was right, by the marks of people. Pure.

A mark judges what the box said, at the level at which it was said: "a bird, species not sure" is right
for any bird, "house finch" only for a house finch. People mark mistakes more readily than what is as
it should be, so the share is of the *marked* visits and no estimate for all; the journal says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from dooryard.core.records import SOMETHING
from dooryard.history.entries import Entry

Z_95 = 1.959963984540054  # the standard normal's 97.5 % point


@dataclass(frozen=True, slots=True)
class AccuracyTally:
    """Judged visits. `undecided` are marked, but the mark does not tell whether the box was right."""

    right: int = 0
    wrong: int = 0
    undecided: int = 0

    @property
    def judged(self) -> int:
        return self.right + self.wrong

    @property
    def limits(self) -> tuple[float, float]:
        return wilson(self.right, self.judged)


def wilson(successes: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """The Wilson score interval of a share, as (low, high); (0, 1) without a trial.

    With p = successes / trials and n = trials: (p + z²/2n ± z √(p(1-p)/n + z²/4n²)) / (1 + z²/n).
    Source: E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
    Journal of the American Statistical Association 22 (1927) 209-212. Raises ValueError when
    `successes` is not within 0..`trials`.
    """
    if not 0 <= successes <= trials:
        raise ValueError(f"{successes} of {trials} is no share")
    if trials == 0:
        return 0.0, 1.0
    share, per = successes / trials, z * z / trials
    middle = share + per / 2
    reach = z * math.sqrt(share * (1 - share) / trials + per / (4 * trials))
    low, high = (middle - reach) / (1 + per), (middle + reach) / (1 + per)
    return (0.0 if successes == 0 else low), (1.0 if successes == trials else high)


def was_right(entry: Entry) -> bool | None:
    """Whether what the box said of `entry` was so; None when no mark tells."""
    if entry.said.nobody:
        return False
    named = entry.said.visitor
    if named is None:
        return None
    told = entry.told
    if told.group == SOMETHING:  # the box did not say who it was
        return None
    if told.species is not None:
        return named.species == told.species if named.species is not None else _other_group(entry)
    if named.group == told.group:
        return True
    # An unknown group ("") leaves open whether a name that nobody taught the box belongs to this one.
    return None if named.group == "" or told.group == "animal" else False


def _other_group(entry: Entry) -> bool | None:
    """A species was told and only a group is marked: wrong in another group, open in the same."""
    named = entry.said.visitor
    assert named is not None
    return False if named.group not in ("", entry.told.group) else None


def tally(entries: Iterable[Entry]) -> AccuracyTally:
    """Count those that carry a verdict."""
    marked = (entry for entry in entries if entry.said.nobody or entry.said.visitor)
    answers = [was_right(entry) for entry in marked]
    return AccuracyTally(answers.count(True), answers.count(False), answers.count(None))
