"""`dooryard gate-report`: what the gate has learned about the place, in words and as a picture. Edge."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TextIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from dooryard import gate
from dooryard.core.errors import EXIT_OK, ConfigError, StoreError
from dooryard.gate import GateReport, GateSettings
from dooryard.gate.grid import Map
from dooryard.gate.region_thresholds import REGIONS
from dooryard.gate.report import Region
from dooryard.gate.tally import HOUR_S
from dooryard.outbox.opening import opened
from dooryard.outbox.opening import state as state_in
from dooryard.outbox.problems import store_error

CALM, RESTLESS = (246, 240, 226), (140, 60, 24)  # the map's ends: paper, and red earth
INK, PAPER = (40, 40, 40), (255, 255, 255)
PALE_AT, FULL_AT = 0.01, 0.5  # contrasts up to which the map is palest, and from which it is darkest
TICKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)  # in the legend; between them by ratio, as contrasts compare
SCALE = 4  # the map's pixels for one of the small picture
MARGIN, LEGEND = 28, 64  # pixels around the map, for the numbers of rows and columns, and below it
_LEAST_WATCHED_H = 1.0  # shorter watching gives no rate


def gate_report(state_folder: Path, luma_shape: tuple[int, int], picture: Path | None, out: TextIO) -> int:
    """Print the report, and write its map as a PNG if `picture` is given. `luma_shape` is (H, W).

    Raises ConfigError where `picture` can't be a PNG file; StoreError where it can't be written, or where
    the gate has not saved anything yet, or nothing that fits.
    """
    if picture is not None:
        _check(picture)
    saved = _saved(state_folder)
    state = gate.load(saved, luma_shape, GateSettings()) if saved else None
    if state is None:
        raise StoreError(
            f"{state_folder}: the gate has saved nothing here yet that fits this camera's small picture",
            "let the box watch for some minutes, and name the box file that it runs with",
        )
    report = gate.report(state)
    print("\n".join(lines(report)), file=out)
    if picture is not None:
        try:
            drawn(report, luma_shape).save(picture, format="PNG")
        except OSError as error:
            raise StoreError(
                f"{picture}: cannot be written: {error.strerror or error}",
                "name a file in a folder that is there and that this user may write to",
            ) from error
        print(f"map: {picture} (dark: a visitor must stand out more to be seen)", file=out)
    return EXIT_OK


def _check(picture: Path) -> None:
    remedy = "name a file that ends in .png, such as gate.png"
    if picture.is_dir():
        raise ConfigError(f"{picture} is a folder", remedy)
    if picture.suffix.lower() != ".png":
        raise ConfigError(f"{picture}: the map is written as a PNG", remedy)


def _saved(state_folder: Path) -> bytes | None:
    doing = "reading what the gate has learned"
    try:
        with closing(opened(state_folder, doing)) as db:
            return state_in(db, "gate")
    except sqlite3.Error as error:
        raise store_error(error, doing, state_folder) from error


def lines(report: GateReport) -> Iterator[str]:
    """The report in plain words."""
    yield f"Watched for {_time(report.watched_h)}; this view learned for {_time(report.learned_s / HOUR_S)}."
    yield from _counts(report)
    if report.patterns:
        yield f"Patterns of the wind known here, and taken out: {report.patterns}."
    calm = _percent(report.calm_contrast)
    rows, cols = REGIONS
    restless = [region for region in report.regions if _percent(region.smallest_contrast) != calm]
    if not restless:
        yield f"The whole view is calm: a visitor must differ from the background by {calm}."
        return
    yield f"Restless places, in {rows} rows from the top and {cols} columns from the left, the worst first:"
    for region in restless:
        yield (
            f"  {region.where}: a visitor must differ from the background by "
            f"{_percent(region.smallest_contrast)} (a calm place needs {calm}){_verdicts(region)}"
        )


def _counts(report: GateReport) -> Iterator[str]:
    """How often each came, an hour where an hour and more was watched."""
    rated = report.watched_h >= _LEAST_WATCHED_H
    came = {reason: per_h for reason, per_h in report.per_hour.items() if per_h > 0}
    yield "What moved, by what the gate decided:" if came else "Nothing has moved yet."
    for reason, per_h in came.items():
        times = round(per_h * max(report.watched_h, 1 / HOUR_S))  # as the rate was worked out
        yield f"  {reason}: {_times(times)}" + (f", {per_h:.1f} an hour" if rated else "")
    if came and not rated:
        yield "  (not watched long enough for a rate)"


def _verdicts(region: Region) -> str:
    """What the classifier said of pictures of this place."""
    said = [
        f"{who} {_times(count)}"
        for who, count in (("nobody", region.nobody), ("somebody", region.somebody))
        if count
    ]
    return f"; looked at closely, there was {' and '.join(said)}" if said else ""


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _time(hours: float) -> str:
    return f"{hours:.1f} h" if hours >= _LEAST_WATCHED_H else f"{hours * 60:.0f} min"


def _percent(contrast: float) -> str:
    """Text like "2.4 %", "14 %"."""
    value = 100 * contrast
    return f"{value:.0f} %" if value >= 9.95 else f"{value:.1f} %"


def drawn(report: GateReport, luma_shape: tuple[int, int]) -> Image.Image:
    """The map, `SCALE` times the small picture, with the regions' grid, their numbers and a legend."""
    height, width = luma_shape[0] * SCALE, luma_shape[1] * SCALE
    image = Image.new("RGB", (width + 2 * MARGIN, height + MARGIN + LEGEND), PAPER)
    cells = Image.fromarray(_colours(_shade(report.restless)))
    image.paste(cells.resize((width, height), Image.Resampling.NEAREST), (MARGIN, MARGIN))
    draw = ImageDraw.Draw(image)
    _grid(draw, width, height, report.restless.shape)
    _legend(draw, width, MARGIN + height + 12, report.calm_contrast)
    return image


def _shade(contrast: Map) -> Map:
    """How dark the map is for a contrast: 0 at `PALE_AT`, 1 at `FULL_AT`, by the logarithm between."""
    shade = np.log(np.maximum(contrast, 1e-6) / PALE_AT) / math.log(FULL_AT / PALE_AT)
    return shade.astype(np.float32)


def _colours(share: Map) -> NDArray[np.uint8]:
    """Colours, uint8 with a last axis of 3, for shares of the full darkness; outside 0..1 as at the ends."""
    part = np.clip(share, 0.0, 1.0)[..., None]
    colours: NDArray[np.uint8] = (np.array(CALM) * (1 - part) + np.array(RESTLESS) * part).astype(np.uint8)
    return colours


def _grid(draw: ImageDraw.ImageDraw, width: int, height: int, cells: tuple[int, ...]) -> None:
    """Lines between the regions, which end where cells do, and the numbers that the report names."""
    rows, cols = REGIONS
    ys = [MARGIN + row * cells[0] // rows * height // cells[0] for row in range(rows + 1)]
    xs = [MARGIN + col * cells[1] // cols * width // cells[1] for col in range(cols + 1)]
    for y in ys:
        draw.line((MARGIN, y, MARGIN + width, y), fill=INK)
    for x in xs:
        draw.line((x, MARGIN, x, MARGIN + height), fill=INK)
    for row in range(rows):
        draw.text((10, (ys[row] + ys[row + 1]) // 2 - 6), str(row + 1), fill=INK)
    for col in range(cols):
        draw.text(((xs[col] + xs[col + 1]) // 2 - 3, 8), str(col + 1), fill=INK)


def _legend(draw: ImageDraw.ImageDraw, width: int, top: int, calm: float) -> None:
    """The colours with the contrast that each stands for."""
    for x in range(width):
        [colour] = _colours(np.array([x / max(1, width - 1)], np.float32))
        draw.line((MARGIN + x, top, MARGIN + x, top + 14), fill=tuple(int(part) for part in colour))
    draw.rectangle((MARGIN, top, MARGIN + width - 1, top + 14), outline=INK)
    for tick in TICKS:
        x = MARGIN + round(math.log(tick / PALE_AT) / math.log(FULL_AT / PALE_AT) * (width - 1))
        draw.line((x, top + 14, x, top + 18), fill=INK)
        draw.text((min(x + 3, MARGIN + width - 30), top + 18), f"{100 * tick:g} %", fill=INK)
    text = f"how much a visitor must differ from the background (a calm place: {_percent(calm)})"
    draw.text((MARGIN, top + 34), text, fill=INK)
