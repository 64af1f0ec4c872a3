"""Bar charts as numbers for the SVG template. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dooryard.journal.phrases import two_digits

WIDTH, HEIGHT = 480.0, 132.0
_TOP, _BOTTOM = 16.0, 22.0  # room for the largest value's label and the axis' words
_GAP = 0.22  # of a bar's place


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar; lengths in the units of the view box."""

    x: float
    y: float
    width: float
    height: float
    label: str  # under the axis; may be empty
    middle: float
    text: str  # what a reader hears or sees on it


@dataclass(frozen=True, slots=True)
class Chart:
    """A bar chart with its words. `rows` are the same data as a table."""

    title: str
    summary: str
    unit: str
    bars: tuple[Bar, ...]
    rows: tuple[tuple[str, ...], ...]
    heads: tuple[str, ...]
    top: str  # the scale's largest value
    width: float = WIDTH
    height: float = HEIGHT
    base: float = HEIGHT - _BOTTOM

    @property
    def empty(self) -> bool:
        return not any(bar.height for bar in self.bars)


@dataclass(frozen=True, slots=True)
class Datum:
    """One value: None means not known (nothing was watched)."""

    value: float | None
    name: str  # "8:00 to 9:00"
    label: str  # "8"
    text: str  # "0.42 visits an hour"
    cells: tuple[str, ...]


def bars(title: str, summary: str, unit: str, data: Sequence[Datum], heads: tuple[str, ...]) -> Chart:
    """A chart of `data`; heights go from zero to the largest value."""
    top = max((datum.value or 0.0 for datum in data), default=0.0)
    room = HEIGHT - _TOP - _BOTTOM
    step = WIDTH / max(1, len(data))
    found = []
    for index, datum in enumerate(data):
        height = room * (datum.value or 0.0) / top if top else 0.0
        found.append(
            Bar(
                x=round(step * (index + _GAP / 2), 2),
                y=round(HEIGHT - _BOTTOM - height, 2),
                width=round(step * (1 - _GAP), 2),
                height=round(height, 2),
                label=datum.label,
                middle=round(step * (index + 0.5), 2),
                text=f"{datum.name}: {datum.text}",
            )
        )
    rows = tuple((datum.name, *datum.cells) for datum in data)
    return Chart(title, summary, unit, tuple(found), rows, heads, two_digits(top))
