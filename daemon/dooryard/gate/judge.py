"""From the map of what is different to blobs, each with a score and, if held back, a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dooryard.gate.background import CANDIDATE, View
from dooryard.gate.blobs import Blob, components
from dooryard.gate.grid import mask_of, neighbour_max, polygon_mask
from dooryard.gate.site import bar_at
from dooryard.records import Box, Held, Motion

if TYPE_CHECKING:
    from dooryard.gate.grid import Map, Mask
    from dooryard.gate.settings import GateSettings
    from dooryard.gate.state import GateState

LEAST_CELLS = 3
MOST_BLOBS = 4  # only the strongest are looked at
BAR = 1.6  # peak ratio that is just enough in a calm place
STAYING = 0.7  # somebody who is known to be there needs only this part of the bar


class Scene(NamedTuple):
    """All that a blob is judged by. Maps are (rows, cols)."""

    state: GateState
    view: View
    settings: GateSettings
    dt_s: float
    lasting_s: Map
    ignored: Mask
    there: Mask  # cells where somebody is known to be


class Judged(NamedTuple):
    """A blob with its verdict."""

    blob: Blob
    motion: Motion


def judge(
    state: GateState, view: View, settings: GateSettings, occupied: tuple[Box, ...], dt_s: float
) -> list[Judged]:
    """Cut the map into blobs and judge the strongest of them."""
    mask = view.ratio > CANDIDATE
    if np.count_nonzero(mask) < LEAST_CELLS:
        return []
    blobs = [blob for blob in components(mask) if len(blob.cells) >= LEAST_CELLS]
    if not blobs:
        return []
    flat = view.ratio.ravel()
    blobs.sort(key=lambda blob: float(flat[blob.cells].max()), reverse=True)
    scene = Scene(
        state,
        view,
        settings,
        dt_s,
        neighbour_max(state.lasting_s),
        polygon_mask(settings.ignore, mask.shape),
        mask_of(occupied, mask.shape),
    )
    return [Judged(blob, _motion(scene, blob)) for blob in blobs[:MOST_BLOBS]]


def _motion(scene: Scene, blob: Blob) -> Motion:
    box = box_of(blob, scene.ignored.shape)
    raised = bar_at(scene.state.site, box)
    score = float(scene.view.ratio.ravel()[blob.cells].max()) / BAR
    if scene.there.ravel()[blob.cells].any():
        score /= STAYING
    held = _not_looked_at(scene, blob, box) or _not_enough(scene, blob, score, raised)
    return Motion(box, score / raised, held)


def _not_looked_at(scene: Scene, blob: Blob, box: Box) -> Held | None:
    """Reasons that do not depend on how strong the change is."""
    if not scene.state.ready:
        return Held.LEARNING
    if float(scene.ignored.ravel()[blob.cells].mean()) >= 0.5:
        return Held.IGNORED
    if scene.state.unsteady_s > 0:
        return Held.LIGHT
    height, width = scene.state.luma_shape
    longer = max(box.x1 - box.x0, (box.y1 - box.y0) * height / width)
    return Held.SMALL if longer < scene.settings.smallest else None


def _not_enough(scene: Scene, blob: Blob, score: float, raised: float) -> Held | None:
    """Too weak in itself, too weak for this place, or not there for long enough."""
    if score < 1:
        return Held.SWAY
    if score < raised:
        return Held.WEAK
    before = float(scene.lasting_s.ravel()[blob.cells].max())
    if before <= 0 or before + scene.dt_s < scene.settings.persist_s:
        return Held.BRIEF
    return None


def box_of(blob: Blob, shape: tuple[int, int]) -> Box:
    """The rectangle around `blob` in relative coordinates."""
    rows, cols = shape
    return Box(blob.x0 / cols, blob.y0 / rows, blob.x1 / cols, blob.y1 / rows)
