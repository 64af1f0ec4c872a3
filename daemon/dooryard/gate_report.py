"""`dooryard gate-report`: what the gate has learned about the place, as numbers and as a picture. Edge."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TextIO

import numpy as np
from PIL import Image

from dooryard import gate
from dooryard.errors import EXIT_OK, StoreError
from dooryard.gate import GateReport, GateSettings
from dooryard.outbox.folder import DATABASE

CALM, RESTLESS = (246, 240, 226), (140, 60, 24)  # the map's ends: paper, and red earth
FULL_AT = 0.5  # contrast from which the map is as dark as it gets


def gate_report(state_folder: Path, luma_shape: tuple[int, int], picture: Path | None, out: TextIO) -> int:
    """Print the report, and write its map as a PNG if `picture` is given. `luma_shape` is (H, W).

    Raises StoreError where the gate has not saved anything yet, or nothing that fits.
    """
    saved = _saved(state_folder)
    state = gate.load(saved, luma_shape, GateSettings()) if saved else None
    if state is None:
        raise StoreError(
            f"{state_folder}: the gate has saved nothing here yet that fits this camera's small picture",
            "let the box watch for some minutes, and name the box file that it runs with",
        )
    report = gate.report(state)
    print(report.text(), file=out)
    if picture is not None:
        _map(report, luma_shape).save(picture)
        print(f"map: {picture} (dark: a visitor must stand out more to be seen)", file=out)
    return EXIT_OK


def _saved(state_folder: Path) -> bytes | None:
    file = state_folder / DATABASE
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as db:
            row = db.execute("SELECT data FROM states WHERE name = 'gate'").fetchone()
    except sqlite3.Error as error:
        raise StoreError(f"{file}: cannot be read: {error}", "name the box whose state it is") from error
    return bytes(row[0]) if row else None


def _map(report: GateReport, luma_shape: tuple[int, int]) -> Image.Image:
    """The map in the size of the small picture: the darker, the more contrast a place asks for."""
    share = np.clip(report.restless / FULL_AT, 0.0, 1.0)[..., None]
    colours = np.array(CALM) * (1 - share) + np.array(RESTLESS) * share
    height, width = luma_shape
    return Image.fromarray(colours.astype(np.uint8)).resize((width, height), Image.Resampling.NEAREST)
