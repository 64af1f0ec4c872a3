"""What came of a campaign, and the table of several."""

from __future__ import annotations

import random
from dataclasses import dataclass, field


@dataclass
class Outcome:
    """Counts of one campaign. `failures` says what went wrong, an attempt each."""

    name: str
    must: str  # what has to hold at every attempt
    tried: int = 0
    failures: list[str] = field(default_factory=list)

    def note(self, attempt: str, problem: str | None) -> None:
        """Count an attempt; `problem` is None where all held."""
        self.tried += 1
        if problem is not None:
            self.failures.append(f"{attempt}: {problem}")


def dice(seed: int) -> random.Random:
    """Chance that can be repeated."""
    return random.Random(seed)  # noqa: S311  (chance, not secrecy)


def table(outcomes: list[Outcome], most_failures: int = 12) -> str:
    """The outcomes for a person to read, and under it the first failures of each."""
    width = max(len(each.name) for each in outcomes)
    lines = [f"{'attack':<{width}}   tried  failed  must hold"]
    lines += [
        f"{each.name:<{width}} {each.tried:>7} {len(each.failures):>7}  {each.must}" for each in outcomes
    ]
    for each in outcomes:
        lines += [f"failed: {each.name}: {failure}" for failure in each.failures[:most_failures]]
        left = len(each.failures) - most_failures
        lines += [f"failed: {each.name}: and {left} more"] if left > 0 else []
    return "\n".join(lines)


def damaged(data: bytes, chance: random.Random) -> bytes:
    """`data` after one accident: a flipped bit, a torn end, zeros or junk, or something else whole."""
    way = chance.randrange(6)
    at = chance.randrange(len(data)) if data else 0
    length = min(chance.choice([1, 4, 64, 512, 4096]), len(data) - at)
    if way <= 1 and data:
        return data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
    if way == 2:
        return data[:at]
    if way == 3:
        return data[:at] + bytes(length) + data[at + length :]
    if way == 4:
        return data[:at] + chance.randbytes(length) + data[at + length :]
    return chance.choice(
        [b"", b"\0" * 4096, b"null", b"[]", b"{}", b"\xff\xfe", b"PK\x03\x04", chance.randbytes(200)]
    )
