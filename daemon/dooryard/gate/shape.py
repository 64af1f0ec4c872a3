"""Is a change an object, or the old view under another light, or the old view moved?

Five signs. None has weights fitted to pictures; how far each counts was set on drawn scenes and, for
"carried", one recording:

* texture: where the background's own texture still shows through, nothing stands in front of it;
* shift: what a small shift of the background explains (change = gradient times shift, the constraint
  of Horn & Schunck, "Determining optical flow", Artificial Intelligence 17, 1981) is sway;
* carried: what looks like a piece of the old view from a little way off, and has left its old place, was
  carried there: a feeder that a gust holds aside. That a pixel may have come from its neighbourhood, and
  that all of an object must have come from there together, are both from Elgammal, Harwood & Davis,
  "Non-parametric model for background subtraction", ECCV 2000;
* known: what the patterns of the wind and the light explain around it is one of these, however far beyond
  all earlier ones;
* halo: a body has an edge; the border of a cloud's shadow fades out over a hand's breadth and more.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dooryard.gate.background import BODY_RADIUS
from dooryard.gate.grid import BLACK, Map
from dooryard.gate.modes import fitted

if TYPE_CHECKING:
    from dooryard.gate.background import View
    from dooryard.gate.blobs import Blob
    from dooryard.gate.modes import Modes

RING = 3  # cells outside a blob: beyond what averaging over a body smears
LEAST_AROUND = 8  # cells on every side of a small blob that are looked at for known patterns
OWN_PART = 0.2  # of the change all around must be left over by them
LEAST_KNOWN = 0.5  # that sign lowers a score no further
MARGIN = 2  # cells around a blob that are looked at with it
REACH = 2, 7  # cells (down, across) that a thing which hangs may be carried from where it was
CARRIED, STOOD = 0.4, 0.85  # what the best such move leaves over: of a thing that swings, of a body
LEAST_CARRIED = 0.4  # that sign lowers a score no further: a body may look like its surroundings
NOTHING = np.float32(1e-6)  # log brightness: keeps a quotient finite
RIDGE = 1e-4  # log brightness squared: shifts that need stronger gradients than noise are not believed


class Shape(NamedTuple):
    """Signs against an object (`left`: for one), each 0..1."""

    texture: float  # correlation of what is seen with the background
    shift: float  # share of the change that a shift of the background explains
    known: float  # share of the change all around that the known patterns explain
    left: float  # part of the change that the best move of the old view by whole cells leaves over
    halo: float  # change just outside the blob as a share of its peak: light fades out, a body ends


NO_SHAPE = Shape(0.0, 0.0, 0.0, 1.0, 0.0)


def shape_of(view: View, background: Map, modes: Modes, blob: Blob, enough: float = 0.0) -> Shape:
    """Look at the cells around `blob`; `background` in grey levels, (rows, cols).

    The last two signs to be looked at cost the most. They are left out, as if they said nothing, where the
    others already make the likeness less than `enough`.
    """
    rows = slice(max(0, blob.y0 - MARGIN), blob.y1 + MARGIN)
    cols = slice(max(0, blob.x0 - MARGIN), blob.x1 + MARGIN)
    old = np.log(background[rows, cols] + np.float32(BLACK))
    tight = (
        _inner(blob.y0 - rows.start, blob.y1 - rows.start),
        _inner(blob.x0 - cols.start, blob.x1 - cols.start),
    )
    raw = view.raw[rows, cols]
    shape = NO_SHAPE._replace(
        texture=_kept(old[tight], raw[tight]), shift=_explained(old, raw), halo=_halo(view, blob)
    )
    if likeness(shape) < enough:
        return shape
    return shape._replace(known=_known(view, modes, blob), left=_left_over(background, view.raw, blob))


def _inner(start: int, stop: int) -> slice:
    """Without the rim that averaging over a body has added, but at least three cells if there are so many."""
    rim = max(0, min(BODY_RADIUS, (stop - start - 3) // 2))
    return slice(start + rim, stop - rim)


def _centred(values: Map) -> Map:
    """`values` less their mean."""
    out: Map = values - values.sum() / np.float32(values.size)
    return out


def _kept(behind: Map, raw: Map) -> float:
    """Correlation of the background with the background plus its change, not below 0."""
    old = _centred(behind)
    new = _centred(old + raw)
    both = float(np.vdot(old, new))
    return max(0.0, both) / math.sqrt(float(np.vdot(old, old)) * float(np.vdot(new, new)) + 1e-9)


def _explained(behind: Map, raw: Map) -> float:
    """Share of the variance of `raw` that one shift of `behind` explains."""
    down = np.zeros_like(behind)
    across = np.zeros_like(behind)
    down[1:-1] = (behind[2:] - behind[:-2]) / 2
    across[:, 1:-1] = (behind[:, 2:] - behind[:, :-2]) / 2
    down, across, change = _centred(down), _centred(across), _centred(raw)
    ridge = RIDGE * raw.size
    xx, yy = float(np.vdot(across, across)) + ridge, float(np.vdot(down, down)) + ridge
    xy, xt, yt = (float(np.vdot(a, b)) for a, b in ((across, down), (across, change), (down, change)))
    det = xx * yy - xy * xy
    u, v = (yy * xt - xy * yt) / det, (xx * yt - xy * xt) / det
    total = float(np.vdot(change, change)) + 1e-9
    return min(1.0, max(0.0, (u * xt + v * yt) / total))


def _known(view: View, modes: Modes, blob: Blob) -> float:
    """`Shape.known`, of the blob with as much again on every side of it."""
    down = max(LEAST_AROUND, blob.y1 - blob.y0)
    across = max(LEAST_AROUND, blob.x1 - blob.x0)
    rows = slice(max(0, blob.y0 - down) // 2 * 2, blob.y1 + down)
    cols = slice(max(0, blob.x0 - across) // 2 * 2, blob.x1 + across)
    seen = view.whole[rows, cols][::2, ::2]
    own = seen - fitted(modes, view.whole, rows, cols)
    left = float(np.vdot(own, own)) / (float(np.vdot(seen, seen)) + 1e-9)
    return min(1.0, max(0.0, 1 - left))


def _left_over(background: Map, raw: Map, blob: Blob) -> float:
    """`Shape.left`: 1 where no move of the old view comes nearer to what is seen than leaving it as it was.

    For each move two parts are multiplied: what it leaves over in the blob, where each cell may be either
    moved or not, and what it leaves over all around, where all must be moved. The first alone would take a
    dark bird for a piece of a dark bush, the second finds the bush still in its place.
    """
    down, across = REACH
    rows, cols = raw.shape
    y0, x0 = max(0, blob.y0 - RING), max(0, blob.x0 - RING)
    change = raw[y0 : blob.y1 + RING, x0 : blob.x1 + RING]
    height, width = change.shape
    ys = np.clip(np.arange(y0 - down, y0 + height + down), 0, rows - 1)
    xs = np.clip(np.arange(x0 - across, x0 + width + across), 0, cols - 1)
    wide = np.log(background[ys[:, None], xs] + np.float32(BLACK))
    seen = wide[down : down + height, across : across + width] + change
    moved = (sliding_window_view(wide, change.shape) - seen).reshape(-1, change.size)
    np.abs(moved, out=moved)
    unmoved = np.abs(change).reshape(-1)
    at = (blob.cells // cols - y0) * width + blob.cells % cols - x0
    around = moved.sum(1) / (unmoved.sum() + NOTHING)
    inside = np.minimum(moved[:, at], unmoved[at]).sum(1) / (unmoved[at].sum() + NOTHING)
    return min(1.0, float((around * inside).min()))


def _halo(view: View, blob: Blob) -> float:
    """Mean change, of the blob's sign, along the rectangle RING cells outside it, against its peak."""
    rows, cols = view.ratio.shape
    y0, x0, y1, x1 = blob.y0 - RING, blob.x0 - RING, blob.y1 + RING - 1, blob.x1 + RING - 1
    down, across = slice(max(0, y0), y1 + 1), slice(max(0, x0), x1 + 1)
    sides = [(y, across) for y in (y0, y1) if 0 <= y < rows] + [(down, x) for x in (x0, x1) if 0 <= x < cols]
    if not sides:
        return 0.0
    flat = view.ratio.ravel()[blob.cells]
    peak = int(np.argmax(flat))
    sign = math.copysign(1.0, float(view.mean.ravel()[blob.cells[peak]]))
    around = np.concatenate([view.mean[side] / view.usual[side] for side in sides])
    return min(1.0, max(0.0, sign * float(around.mean()) / float(flat[peak])))


def likeness(shape: Shape) -> float:
    """Factor 0..1 on a blob's strength: 1 for an object with an edge that hides what is behind it."""
    hidden = min(1 / (1 + shape.texture), 1 - min(1.0, shape.texture**2))
    stood = max(LEAST_CARRIED, min(1.0, (shape.left - CARRIED) / (STOOD - CARRIED)))
    own = max(LEAST_KNOWN, min(1.0, (1 - shape.known) / OWN_PART))
    return hidden * stood * own * (1 - shape.halo) * math.sqrt(1 - shape.shift)
