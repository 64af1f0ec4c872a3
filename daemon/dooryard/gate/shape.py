"""Is a change an object, or the old view under another light, or the old view moved a little?

Five signs. None has weights fitted to pictures; how far each counts was set on drawn scenes:

* texture: where the background's own texture still shows through, nothing stands in front of it;
* shift: what a small shift of the background explains (change = gradient times shift, the constraint
  of Horn & Schunck, "Determining optical flow", Artificial Intelligence 17, 1981) is sway;
* known: what the patterns of the wind explain around it is a gust, however far beyond all earlier ones;
* balance: what hangs and is carried aside darkens about as much as it lightens; a body does one of them;
* halo: a body has an edge; the border of a cloud's shadow fades out over a hand's breadth and more.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dooryard.gate.background import BODY_RADIUS
from dooryard.gate.grid import BLACK, Map
from dooryard.gate.modes import fitted

if TYPE_CHECKING:
    from dooryard.gate.background import View
    from dooryard.gate.blobs import Blob
    from dooryard.gate.modes import Modes

RING = 3  # cells outside a blob: beyond what averaging over a body smears
LEAST_AROUND = 8  # cells on every side of a small blob that are looked at for the wind
OWN_PART = 0.35  # of the change all around must be left over by the wind's patterns
ONE_SIGN = 0.1  # less balance than this is as of a thing that swings
AT_LEAST = 0.4  # the wind's signs lower a score no further: a pied bird is balanced too
MARGIN = 2  # cells around a blob that are looked at with it
RIDGE = 1e-4  # log brightness squared: shifts that need stronger gradients than noise are not believed


class Shape(NamedTuple):
    """Signs against an object, each 0..1."""

    texture: float  # correlation of what is seen with the background
    shift: float  # share of the change that a shift of the background explains
    known: float  # share of the change all around that the patterns of the wind explain
    balance: float  # sum of the changes all around, against the sum of their sizes: small is a sign
    halo: float  # change just outside the blob as a share of its peak: light fades out, a body ends


NO_SHAPE = Shape(0.0, 0.0, 0.0, 1.0, 0.0)


def shape_of(view: View, background: Map, modes: Modes, blob: Blob) -> Shape:
    """Look at the cells around `blob`; `background` in grey levels, (rows, cols)."""
    rows = slice(max(0, blob.y0 - MARGIN), blob.y1 + MARGIN)
    cols = slice(max(0, blob.x0 - MARGIN), blob.x1 + MARGIN)
    behind = np.log(background[rows, cols] + np.float32(BLACK))
    tight = (
        _inner(blob.y0 - rows.start, blob.y1 - rows.start),
        _inner(blob.x0 - cols.start, blob.x1 - cols.start),
    )
    raw = view.raw[rows, cols]
    known, balance = _around(view, modes, blob)
    return Shape(_kept(behind[tight], raw[tight]), _explained(behind, raw), known, balance, _halo(view, blob))


def _inner(start: int, stop: int) -> slice:
    """Without the rim that averaging over a body has added, but at least three cells if there are so many."""
    rim = max(0, min(BODY_RADIUS, (stop - start - 3) // 2))
    return slice(start + rim, stop - rim)


def _kept(behind: Map, raw: Map) -> float:
    """Correlation of the background with the background plus its change, not below 0."""
    old = behind - behind.mean()
    new = old + raw
    new -= new.mean()
    both = float(np.vdot(old, new))
    return max(0.0, both) / math.sqrt(float(np.vdot(old, old)) * float(np.vdot(new, new)) + 1e-9)


def _explained(behind: Map, raw: Map) -> float:
    """Share of the variance of `raw` that one shift of `behind` explains."""
    down = np.zeros_like(behind)
    across = np.zeros_like(behind)
    down[1:-1] = (behind[2:] - behind[:-2]) / 2
    across[:, 1:-1] = (behind[:, 2:] - behind[:, :-2]) / 2
    down -= down.mean()
    across -= across.mean()
    change = raw - raw.mean()
    ridge = RIDGE * raw.size
    xx, yy = float(np.vdot(across, across)) + ridge, float(np.vdot(down, down)) + ridge
    xy, xt, yt = (float(np.vdot(a, b)) for a, b in ((across, down), (across, change), (down, change)))
    det = xx * yy - xy * xy
    u, v = (yy * xt - xy * yt) / det, (xx * yt - xy * xt) / det
    total = float(np.vdot(change, change)) + 1e-9
    return min(1.0, max(0.0, (u * xt + v * yt) / total))


def _around(view: View, modes: Modes, blob: Blob) -> tuple[float, float]:
    """`Shape.known` and `Shape.balance`, of the blob with as much again on every side of it."""
    down = max(LEAST_AROUND, blob.y1 - blob.y0)
    across = max(LEAST_AROUND, blob.x1 - blob.x0)
    rows = slice(max(0, blob.y0 - down) // 2 * 2, blob.y1 + down)
    cols = slice(max(0, blob.x0 - across) // 2 * 2, blob.x1 + across)
    seen = view.whole[rows, cols][::2, ::2]
    own = seen - fitted(modes, view.whole, rows, cols)
    left = float(np.vdot(own, own)) / (float(np.vdot(seen, seen)) + 1e-9)
    mean = view.mean[rows, cols]
    return min(1.0, max(0.0, 1 - left)), abs(float(mean.sum())) / (float(np.abs(mean).sum()) + 1e-9)


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
    own = max(AT_LEAST, min(1.0, (1 - shape.known) / OWN_PART, shape.balance / ONE_SIGN))
    return hidden * own * (1 - shape.halo) * math.sqrt(1 - shape.shift)
