"""What the gate has learned, in words and as a map."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from dooryard import gate
from dooryard.cli.gate_report import FULL_AT, LEGEND, MARGIN, SCALE, drawn, gate_report, lines
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Box
from dooryard.outbox.store import Store
from unit.gate.garden_frames import empty, play


@pytest.fixture(scope="module")
def state():
    """A gate that was told twice that nobody is in the upper left corner."""
    seen, _ = play(empty(15))
    for _ in range(2):
        corner = Box(0.02, 0.02, 0.1, 0.1)
        seen = gate.learn(seen, corner, False, seen.last_s, gate.GateSettings())
    return seen


@pytest.fixture
def folder(tmp_path, state):
    store = Store.open(tmp_path / "state", FakeClock())
    store.save_states({"gate": gate.save(state)})
    store.close()
    return tmp_path / "state"


def told(report):
    return "\n".join(lines(report))


def test_it_is_told_in_plain_words(folder, state):
    out = io.StringIO()
    assert gate_report(folder, state.luma_shape, None, out) == 0
    calm = f"{100 * gate.report(state).calm_contrast:.1f} %"
    first = out.getvalue()[out.getvalue().index("  row 1 of 6, column 1 of 8") :].split("\n")[0]
    assert f"(a calm place needs {calm}); looked at closely, there was nobody once" in first
    assert "a visitor must differ from the background by " in first


def test_rates_are_told_from_an_hour_of_watching_on(state):
    report = replace(gate.report(state), watched_h=0.075, per_hour={"sway": 40.0, "rain": 0.0})
    assert "an hour" not in told(report)
    assert "  sway: 3 times\n  (not watched long enough for a rate)" in told(report)
    assert "Nothing has moved yet." in told(gate.report(state))
    longer = told(replace(report, watched_h=2.0))
    assert "Watched for 2.0 h" in longer
    assert "  sway: 80 times, 40.0 an hour" in longer


def test_a_view_without_restless_places(state):
    found = gate.report(state)
    calm = tuple(replace(region, smallest_contrast=found.calm_contrast) for region in found.regions)
    assert "The whole view is calm" in told(replace(found, regions=calm))


def test_the_map_is_readable_and_has_a_grid_and_a_legend(folder, state, tmp_path):
    out, target = io.StringIO(), tmp_path / "map.png"
    gate_report(folder, state.luma_shape, target, out)
    height, width = state.luma_shape[0] * SCALE, state.luma_shape[1] * SCALE
    with Image.open(target) as image:
        assert (image.format, image.size) == ("PNG", (width + 2 * MARGIN, height + MARGIN + LEGEND))
        grey = np.asarray(image.convert("L")).astype(int)
    inside = grey[MARGIN + 2 : MARGIN + height - 2, MARGIN + 2 : MARGIN + width - 2]
    dark = inside < 60
    assert int(dark.all(axis=1).sum()) == 5  # between six rows
    assert int(dark.all(axis=0).sum()) == 7  # between eight columns
    legend = grey[MARGIN + height + 18, MARGIN + 2 : MARGIN + width - 2]
    assert (np.diff(legend) <= 0).all()
    assert legend[0] - legend[-1] > 100


def test_a_restless_cell_is_darker_than_a_calm_one(state):
    found = gate.report(state)
    half = np.zeros_like(found.restless)
    half[:, half.shape[1] // 2 :] = FULL_AT
    pixels = np.asarray(drawn(replace(found, restless=half), state.luma_shape).convert("L")).astype(int)
    row = pixels[MARGIN + 10, MARGIN : MARGIN + state.luma_shape[1] * SCALE]
    assert row[10] > row[-10] + 100


def test_where_no_map_can_go_is_said_before_anything_is_printed(folder, state, tmp_path):
    out = io.StringIO()
    for target, says in ((tmp_path, "is a folder"), (tmp_path / "x.txt", "as a PNG")):
        with pytest.raises(ConfigError, match=says) as caught:
            gate_report(folder, state.luma_shape, target, out)
        assert ".png" in caught.value.remedy
    assert out.getvalue() == ""
    with pytest.raises(StoreError, match="cannot be written"):
        gate_report(folder, state.luma_shape, tmp_path / "nowhere" / "map.png", out)


def test_nothing_saved_yet(tmp_path, state):
    Store.open(tmp_path / "state", FakeClock()).close()
    with pytest.raises(StoreError, match="has saved nothing here yet"):
        gate_report(tmp_path / "state", state.luma_shape, None, io.StringIO())
    with pytest.raises(StoreError, match="there is no store"):
        gate_report(tmp_path / "elsewhere", state.luma_shape, None, io.StringIO())
