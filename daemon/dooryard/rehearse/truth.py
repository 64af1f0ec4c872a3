"""What really came, and how much of it was noticed and told. Pure.

The truth is a CSV file with the header ``start,end,visitor`` or ``start,end,visitor,species``: a line for
each true visit, times in ISO 8601 (without an offset: local time at the place), visitor a group such as
bird or squirrel, species a name or nothing. Somebody who watches the recording can write it.

A visit found by the box counts as the true one that it shares the most time with. What is seen within
`NEAR_S` before or after a true visit still belongs to it, as the true times come from a person's eye.
Rates come with the 95 % limits of Wilson's score interval: E. B. Wilson, "Probable inference, the law of
succession, and statistical inference", Journal of the American Statistical Association 22 (1927).
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dooryard.core.errors import ConfigError
from dooryard.core.records import Outcome
from dooryard.policy.schema import plain_name
from dooryard.rehearse.records import Rehearsal, RehearsedVisit

COLUMNS = ("start", "end", "visitor", "species")
NEAR_S = 6.0
Z_95 = 1.959963984540054  # the normal distribution's 97.5 % point
_REMEDY = 'write lines such as "2026-06-14T14:00:38+01:00,2026-06-14T14:00:55+01:00,squirrel,grey squirrel"'


@dataclass(frozen=True, slots=True)
class TrueVisit:
    """Somebody who really came. Times are aware."""

    start: datetime
    end: datetime
    visitor: str  # group; "" where only the species is known
    species: str = ""

    @property
    def name(self) -> str:
        return self.species or self.visitor


@dataclass(frozen=True, slots=True)
class Rate:
    """`count` of `total`."""

    count: int
    total: int

    @property
    def limits(self) -> tuple[float, float]:
        return wilson(self.count, self.total)


@dataclass(frozen=True, slots=True)
class VisitorScore:
    """How one visitor fared, or all together."""

    visitor: str
    noticed: Rate  # true visits of which there is a visit at all
    told: Rate  # true visits that were told, or held in quiet hours
    named: Rate  # noticed visits, as far as their group is known, that were given the right one


@dataclass(frozen=True, slots=True)
class Score:
    """Truth against one rehearsal."""

    lines: tuple[VisitorScore, ...]  # by visitor, then all together
    false_alerts: Rate  # of all alerts, those while nobody was there
    false_visits: Rate  # of all visits, likewise
    hours: float  # that the recording lasts; 0 where the truth is not known for all of it
    note: str = ""  # what a reader should know of it

    @property
    def false_alerts_per_hour(self) -> float:
        return self.false_alerts.count / self.hours if self.hours > 0 else math.nan


def parse_truth(text: str, file: str, zone: ZoneInfo) -> tuple[TrueVisit, ...]:
    """Read a truth file. Raises ConfigError with every bad line."""
    rows = csv.DictReader(text.removeprefix("\ufeff").splitlines())
    header = tuple(rows.fieldnames or ())
    if header not in (COLUMNS, COLUMNS[:3]):
        raise ConfigError(
            f"{file}:1: begins with {','.join(header)!r}", f"let its first line be {','.join(COLUMNS)}"
        )
    found: list[TrueVisit] = []
    problems: list[str] = []
    for row in rows:
        try:
            found.append(_true_visit(row, zone))
        except ValueError as error:
            problems.append(f"{file}:{rows.line_num}: {error}")
    if problems:
        raise ConfigError("\n".join(problems), _REMEDY)
    return tuple(sorted(found, key=lambda each: each.start))


def write_truth(visits: Iterable[TrueVisit]) -> str:
    """The text of a truth file."""
    lines = [",".join(COLUMNS)]
    lines += [
        f"{each.start.isoformat()},{each.end.isoformat()},{each.visitor},{each.species}" for each in visits
    ]
    return "\n".join(lines) + "\n"


def score(truth: Sequence[TrueVisit], rehearsal: Rehearsal) -> Score:
    """Count what was noticed, named and told, and what was told while nobody was there.

    True visits outside the recording's time don't count.
    """
    within = [each for each in truth if _within(each, rehearsal)]
    matched = match(within, rehearsal.seen)
    by_visitor: dict[str, list[int]] = {}
    for i, each in enumerate(within):
        by_visitor.setdefault(each.name, []).append(i)
    mine: dict[int, list[RehearsedVisit]] = {}
    for seen in rehearsal.seen:
        at = matched[seen.visit.id]
        if at is not None:
            mine.setdefault(at, []).append(seen)
    lines = [_line(name, within, which, mine) for name, which in sorted(by_visitor.items())]
    lines.append(_line("all", within, range(len(within)), mine))
    alerts = [seen for seen in rehearsal.seen if seen.decision.outcome is Outcome.TELL]
    lasted = rehearsal.last - rehearsal.first if rehearsal.first and rehearsal.last else timedelta()
    return Score(
        lines=tuple(lines),
        false_alerts=Rate(sum(matched[seen.visit.id] is None for seen in alerts), len(alerts)),
        false_visits=Rate(sum(at is None for at in matched.values()), len(matched)),
        hours=lasted / timedelta(hours=1),
    )


def match(truth: Sequence[TrueVisit], seen: Sequence[RehearsedVisit]) -> dict[str, int | None]:
    """Id of each visit -> index of the true visit that it shares the most time with; None: nobody."""
    found: dict[str, int | None] = {}
    near = timedelta(seconds=NEAR_S)
    for each in seen:
        start, end = each.visit.start.wall, each.visit.last_seen.wall
        shared = [(min(true.end + near, end) - max(true.start - near, start)) for true in truth]
        best = max(range(len(truth)), key=shared.__getitem__, default=None)
        found[each.visit.id] = best if best is not None and shared[best] >= timedelta() else None
    return found


def wilson(count: int, total: int, z: float = Z_95) -> tuple[float, float]:
    """Limits of a rate of `count` in `total` by Wilson's score interval; 0 and 1 where total is 0."""
    if total == 0:
        return 0.0, 1.0
    part = count / total
    middle = part + z * z / (2 * total)
    half = z * math.sqrt(part * (1 - part) / total + z * z / (4 * total * total))
    whole = 1 + z * z / total
    low = 0.0 if count == 0 else (middle - half) / whole
    high = 1.0 if count == total else (middle + half) / whole
    return low, high


def _line(
    name: str, truth: Sequence[TrueVisit], which: Iterable[int], mine: Mapping[int, Sequence[RehearsedVisit]]
) -> VisitorScore:
    those = list(which)
    noticed = [i for i in those if i in mine]
    told = [i for i in noticed if any(seen.decision.outcome is not Outcome.SILENT for seen in mine[i])]
    named = [i for i in noticed if any(seen.visit.visitor.group == truth[i].visitor for seen in mine[i])]
    return VisitorScore(
        visitor=name,
        noticed=Rate(len(noticed), len(those)),
        told=Rate(len(told), len(those)),
        named=Rate(len(named), sum(bool(truth[i].visitor) for i in noticed)),
    )


def _within(true: TrueVisit, rehearsal: Rehearsal) -> bool:
    if rehearsal.first is None or rehearsal.last is None:
        return False
    return true.start <= rehearsal.last and rehearsal.first <= true.end


def _true_visit(row: Mapping[str | None, str | None], zone: ZoneInfo) -> TrueVisit:
    if None in row:
        raise ValueError("has more fields than the header")
    start, end = (_time(row.get(name) or "", name, zone) for name in ("start", "end"))
    visitor = plain_name(row.get("visitor") or "")
    if not visitor:
        raise ValueError("names no visitor")
    if end < start:
        raise ValueError("ends before it begins")
    return TrueVisit(start, end, visitor, plain_name(row.get("species") or ""))


def _time(text: str, name: str, zone: ZoneInfo) -> datetime:
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{name} {text!r} is not a time in ISO 8601") from None
    return time if time.tzinfo else time.replace(tzinfo=zone)
