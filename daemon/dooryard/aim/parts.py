"""Rectangles drawn on the picture, as lines for the box file. Pure.

`ignore` is relative to the picture that the gate sees; `blackout` to the camera's whole view, so that it
stays where it is when `region` changes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from dooryard.camera.blackout import outward
from dooryard.core.records import Box

MOST = 32  # of each key, as the box file takes
_LEAST = 0.01  # of a side: less was a slip of the finger
_DIGITS = 3
Polygon = Sequence[tuple[float, float]]


def corners(box: Box) -> Polygon:
    """Clockwise, from the upper left."""
    return ((box.x0, box.y0), (box.x1, box.y0), (box.x1, box.y1), (box.x0, box.y1))


def drawn(text: str) -> list[Box] | None:
    """Rectangles from "x0,y0,x1,y1;..." as the page sends them, put in order; None for anything else."""
    found = []
    for part in text.split(";") if text else []:
        try:
            x0, y0, x1, y1 = (min(1.0, max(0.0, float(each))) for each in part.split(","))
        except ValueError:
            return None
        box = Box(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
        if box.x1 - box.x0 >= _LEAST and box.y1 - box.y0 >= _LEAST:
            found.append(box)
    return found if len(found) <= MOST else None


def ignore_lines(there: Sequence[Polygon], more: Sequence[Box]) -> str:
    """The `[gate]` table's key with what is `there` already and `more`; "" where nothing is new."""
    areas = [*there, *map(corners, more)]
    rows = ["[" + ", ".join(f"[{_number(x)}, {_number(y)}]" for x, y in area) + "]" for area in areas]
    return _key("gate", "ignore", rows) if more else ""


def blackout_lines(there: Sequence[Sequence[float]], more: Sequence[Box], shows: Box) -> str:
    """The `[camera]` table's key likewise; `more` is relative to a picture that shows `shows` of the view."""
    boxes = [Box(*part) for part in there] + [outward(box, shows) for box in more]
    rows = ["[" + ", ".join(map(_number, _widened(box))) + "]" for box in boxes]
    return _key("camera", "blackout", rows) if more else ""


def _widened(box: Box) -> Box:
    """Rounded so that no part of it is left out."""
    step = 10.0**_DIGITS
    least = [math.floor(round(each * step, 6)) / step for each in box[:2]]
    most = [math.ceil(round(each * step, 6)) / step for each in box[2:]]
    return Box(max(0.0, least[0]), max(0.0, least[1]), min(1.0, most[0]), min(1.0, most[1]))


def _number(value: float) -> str:
    return f"{value:.{_DIGITS}f}".rstrip("0").rstrip(".") or "0"


def _key(table: str, key: str, rows: Sequence[str]) -> str:
    inside = "".join(f"  {row},\n" for row in rows)
    return f"[{table}]\n{key} = [\n{inside}]\n"
