"""From counts to the tables that are printed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gate_bench.families import HELD_OUT
from gate_bench.measure import SIZES, Count, poisson_limits, wilson_limits

Choice = tuple[str, str]  # gate, setting


@dataclass(frozen=True, slots=True)
class Row:
    """What one gate with one setting did in one clip."""

    family: str
    wind: str
    choice: Choice
    count: Count


def total(rows: Iterable[Row]) -> Count:
    """Sum over clips."""
    out = Count()
    for row in rows:
        out.add(row.count)
    return out


def by_choice(rows: Iterable[Row]) -> dict[Choice, Count]:
    """Sum for each gate and setting."""
    out: dict[Choice, Count] = {}
    for row in rows:
        out.setdefault(row.choice, Count()).add(row.count)
    return out


def share(count: Count) -> float:
    """Recall of visits of at least 5 s by visitors of at least 20 px."""
    seen, all_ = count.recall()
    return seen / all_ if all_ else 0.0


def chosen(rows: list[Row], gate: str, least_recall: float) -> Choice:
    """The setting of `gate` with the fewest captures of nobody among those that see enough.

    Where none sees enough: the one that sees most.
    """
    found = {choice: one for choice, one in by_choice(rows).items() if choice[0] == gate}
    enough = {choice: one for choice, one in found.items() if share(one) >= least_recall}
    if enough:
        return min(enough, key=lambda choice: (enough[choice].false_per_h, -share(enough[choice])))
    return max(found, key=lambda choice: (share(found[choice]), -found[choice].false_per_h))


def left_out(rows: list[Row], gate: str, least_recall: float, families: list[str]) -> list[Row]:
    """Leave one family out: its rows, with the setting chosen on all the other families."""
    out = []
    for family in families:
        choice = chosen([row for row in rows if row.family != family], gate, least_recall)
        out += [row for row in rows if row.family == family and row.choice == choice]
    return out


def false_text(count: Count) -> str:
    """Captures of nobody an hour with exact Poisson limits."""
    if not count.empty_h:
        return "-"
    low, high = poisson_limits(count.false, count.empty_h)
    return f"{count.false_per_h:7.2f} ({low:.2f}..{high:.2f}; {count.false} in {count.empty_h:.2f} h)"


def recall_text(count: Count, low_px: float = 20, high_px: float = 999) -> str:
    """Share of visits seen, with Wilson limits."""
    seen, all_ = count.recall(low_px, high_px)
    if not all_:
        return "-"
    low, high = wilson_limits(seen, all_)
    return f"{seen / all_:.3f} ({low:.2f}..{high:.2f}; {seen} of {all_})"


def choice_line(choice: Choice, one: Count) -> str:
    """One gate with one setting, on one line."""
    what = f"  {choice[0]:28s} {choice[1]:20s}"
    return f"{what} nobody/h {false_text(one):44s} seen {recall_text(one)}"


def by_group(rows: list[Row], group: str) -> list[str]:
    """Lines for one gate and setting, by "family" or by "wind"."""
    lines = []
    for value in dict.fromkeys(getattr(row, group) for row in rows):
        one = total(row for row in rows if getattr(row, group) == value)
        mark = "" if group == "wind" else ("  held out" if value in HELD_OUT else "  development")
        seen = f"seen {recall_text(one):32s} late {one.late_s():.1f} s"
        lines.append(f"  {value:24s} nobody/h {false_text(one):44s} {seen}{mark}")
    return lines


def by_size(one: Count) -> list[str]:
    """Recall by size class."""
    return [
        f"  {low:3d}..{high if high < 999 else '':3} px: {recall_text(one, low, high)}" for low, high in SIZES
    ]
