"""From the map of what is different to blobs, each with a score and, if held back, a reason."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from dooryard.core.records import Box, Motion, RejectReason
from dooryard.gate.background import View
from dooryard.gate.blobs import Blob, components
from dooryard.gate.evidence import ENOUGH_S, evidence_after, widened
from dooryard.gate.grid import mask_of, polygon_mask
from dooryard.gate.region_thresholds import threshold_at
from dooryard.gate.shape import NO_SHAPE, Shape, likeness, shape_of

if TYPE_CHECKING:
    from dooryard.gate.grid import Map, Mask
    from dooryard.gate.settings import GateSettings
    from dooryard.gate.state import GateState

LEAST_CELLS = 3
MOST_BLOBS = 4  # only the strongest are looked at
CROWD = 0.5  # wind stirs many places at once, each about as much: blobs of this part of the peak count
STAYING = 0.6  # somebody who is known to be there needs only this part of the threshold
SHOWS_THROUGH = 0.8  # correlation with the background above which a change is put down to light
FADES_OUT = 0.4  # the same for a change without an edge
WORTH_A_LOOK = 0.85  # below this score a blob's shape is not looked at: it can only lower it
DROPS = 6  # so many specks at once are rain


class ScoringContext(NamedTuple):
    """All that a blob is judged by. Maps are (rows, cols)."""

    state: GateState
    view: View
    settings: GateSettings
    dt_s: float
    before: Map  # evidence so far, widened
    ignored: Mask
    there: Mask  # cells where somebody is known to be
    peaks: list[float]  # of all blobs, strongest first
    specks: int  # how many of them are too small


class ScoredBlob(NamedTuple):
    """A blob with its verdict, and the evidence for it so far."""

    blob: Blob
    motion: Motion
    evidence: float


def score_blobs(
    state: GateState, view: View, settings: GateSettings, occupied: tuple[Box, ...], dt_s: float
) -> list[ScoredBlob]:
    """Cut the map into blobs and judge the strongest of them."""
    if view.differ < LEAST_CELLS:
        return []
    signs = view.signs()
    blobs, specks = components(signs, LEAST_CELLS)
    if not blobs:
        return []
    flat = view.ratio.ravel()
    ranked = sorted(((float(flat[blob.cells].max()), i) for i, blob in enumerate(blobs)), reverse=True)
    scene = ScoringContext(
        state,
        view,
        settings,
        dt_s,
        widened(state.evidence),
        polygon_mask(settings.ignore, signs.shape),
        mask_of(occupied, signs.shape),
        [peak for peak, _ in ranked],
        specks,
    )
    return [_score_blob(scene, blobs[i]) for _, i in ranked[:MOST_BLOBS]]


def _score_blob(scene: ScoringContext, blob: Blob) -> ScoredBlob:
    box = box_of(blob, scene.ignored.shape)
    raised = threshold_at(scene.state.site, box)
    peak = float(scene.view.ratio.ravel()[blob.cells].max())
    crowd = sum(other >= CROWD * peak for other in scene.peaks)  # itself among them
    score = peak / (scene.settings.threshold * math.sqrt(crowd))
    shape = NO_SHAPE
    if scene.there.ravel()[blob.cells].any():
        score = peak / (scene.settings.threshold * STAYING)
    elif score >= WORTH_A_LOOK:
        shape = shape_of(scene.view, scene.state.background, scene.state.modes, blob, WORTH_A_LOOK / score)
        score *= likeness(shape)
    evidence = evidence_after(scene.before, blob, score / raised, scene.dt_s)
    reject_reason = _not_looked_at(scene, blob, box) or _not_enough(score, raised, shape, evidence)
    return ScoredBlob(blob, Motion(box, score / raised, reject_reason), evidence)


def _not_looked_at(scene: ScoringContext, blob: Blob, box: Box) -> RejectReason | None:
    """Reasons that do not depend on how strong the change is."""
    if not scene.state.ready or scene.state.scene_change_s > 0:
        return RejectReason.LEARNING
    if float(scene.ignored.ravel()[blob.cells].mean()) >= 0.5:
        return RejectReason.IGNORED
    if scene.state.unsteady_s > 0:
        return RejectReason.LIGHT
    height, width = scene.state.luma_shape
    longer = max(box.x1 - box.x0, (box.y1 - box.y0) * height / width)
    if longer < scene.settings.smallest:
        return RejectReason.RAIN if scene.specks >= DROPS else RejectReason.SMALL
    return None


def _not_enough(score: float, raised: float, shape: Shape, evidence: float) -> RejectReason | None:
    """Too weak in itself, too weak for this place, or not there for long enough."""
    if score < 1:
        light = shape.texture > SHOWS_THROUGH or shape.halo > FADES_OUT
        return (
            RejectReason.LIGHT
            if light and max(shape.shift, shape.known, 1 - shape.left) < 0.5
            else RejectReason.SWAY
        )
    if score < raised:
        return RejectReason.WEAK
    return RejectReason.BRIEF if evidence < ENOUGH_S else None


def box_of(blob: Blob, shape: tuple[int, int]) -> Box:
    """The rectangle around `blob` in relative coordinates."""
    rows, cols = shape
    return Box(blob.x0 / cols, blob.y0 / rows, blob.x1 / cols, blob.y1 / rows)
