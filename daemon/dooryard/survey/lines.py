"""What a survey says: lines with a verdict in words, a remedy, and an exit code. Pure."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How a thing is."""

    GOOD = "good"
    LOOK = "look"  # it may be as it must be, but somebody should look at it
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding."""

    about: str  # "camera", "sensor enclosure"
    verdict: Verdict
    text: str
    remedy: str | None = None  # what to do; None only for GOOD

    def __post_init__(self) -> None:
        if (self.remedy is None) != (self.verdict is Verdict.GOOD):
            raise ValueError(f"{self.about}: whatever is not good has a remedy, and only that")


def good(about: str, text: str) -> Finding:
    return Finding(about, Verdict.GOOD, text)


def look(about: str, text: str, remedy: str) -> Finding:
    return Finding(about, Verdict.LOOK, text, remedy)


def bad(about: str, text: str, remedy: str) -> Finding:
    return Finding(about, Verdict.BAD, text, remedy)


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look into; `find` does it."""

    about: str
    find: Callable[[], Sequence[Finding]]


@dataclass(frozen=True, slots=True)
class Report:
    """All findings, in order."""

    lines: tuple[Finding, ...]

    @property
    def exit_code(self) -> int:
        """0 when nothing is bad, else 1."""
        return int(any(line.verdict is Verdict.BAD for line in self.lines))

    def text(self) -> str:
        """For people: one line a finding, the remedy under it, and a count."""
        width = max((len(line.about) for line in self.lines), default=0)
        rows = []
        for line in self.lines:
            rows.append(f"{line.verdict:<4}  {line.about:<{width}}  {line.text}")
            if line.remedy:
                rows.append(f"{'':<4}  {'':<{width}}    to do: {line.remedy}")
        counts = ", ".join(f"{self.count(verdict)} {verdict}" for verdict in Verdict)
        return "\n".join([*rows, counts])

    def json(self) -> str:
        """For programs: an object with "lines", a list of objects, and "exit_code"."""
        body = {"lines": [asdict(line) for line in self.lines], "exit_code": self.exit_code}
        return json.dumps(body, ensure_ascii=False, indent=2)

    def count(self, verdict: Verdict) -> int:
        return sum(line.verdict is verdict for line in self.lines)


def survey(checks: Sequence[Check], told: Callable[[Finding], None] | None = None) -> Report:
    """Make all checks, in order; `told` hears each line as it is found.

    A check that fails itself is a bad line, and the rest are made all the same.
    """
    lines: list[Finding] = []
    for check in checks:
        try:
            found = tuple(check.find())
        except Exception as error:  # noqa: BLE001  (each becomes a line; the survey is there to find faults)
            remedy = getattr(error, "remedy", None) or "this is a fault of the program: please report it"
            text = getattr(error, "what", None) or f"{type(error).__name__}: {error}"
            found = (bad(check.about, text, remedy),)
        for line in found:
            lines.append(line)
            if told is not None:
                told(line)
    return Report(tuple(lines))
