"""The gate's memory as bytes, and back, bit for bit.

The form is NumPy's own .npz (a zip of .npy arrays) with a JSON text for the single values; nothing in
it is ever unpickled.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np

from dooryard.core.arrays import packed, unpacked
from dooryard.gate.grid import grid_shape
from dooryard.gate.modes import BATCH, MODES, Modes, downsampled_shape, no_modes
from dooryard.gate.region_thresholds import REGIONS, RegionThresholds
from dooryard.gate.state import GateState, behind_of, widest_spread
from dooryard.gate.tally import REASONS, GateTally
from dooryard.gate.transients import Running

if TYPE_CHECKING:
    from dooryard.gate.settings import GateSettings

FORM = 1
LARGEST_BYTES = 4_000_000  # the largest grid needs well under half of this
ONES = "ones"  # name of the JSON text among the arrays
_SITE, _MODES = "site.", "modes."
_WORKED_OUT = ("widest_spread", "behind", "longest_hold_s")  # from `spread`, `background` and `hold_s`
_STORED = {"deviation": "unrest", "scene_change_s": "upset_s", "hold_s": "linger_s", "threshold": "bar"}
"""Field -> its name in a stored state, where that is an older word: states on boxes stay readable."""
_FIELDS = {stored: name for name, stored in _STORED.items()}


def save(state: GateState) -> bytes:
    """Everything the gate knows, as a few hundred kilobytes at most."""
    arrays: dict[str, Any] = {}
    ones: dict[str, Any] = {"form": FORM, "tally": _tally_out(state.tally)}
    for field in fields(state):
        value = getattr(state, field.name)
        if field.name in _WORKED_OUT:
            continue
        if isinstance(value, np.ndarray):
            arrays[_stored(field.name)] = value
        elif field.name not in ("site", "modes", "tally"):
            ones[_stored(field.name)] = value
    for prefix, part in ((_SITE, state.site), (_MODES, state.modes)):
        for field in fields(part):
            value = getattr(part, field.name)
            (arrays if isinstance(value, np.ndarray) else ones)[prefix + _stored(field.name)] = value
    arrays[ONES] = np.frombuffer(json.dumps(ones).encode(), np.uint8)
    return packed(arrays)


def _stored(name: str) -> str:
    return _STORED.get(name, name)


def _by_field(named: dict[str, Any]) -> dict[str, Any]:
    return {_FIELDS.get(name, name): value for name, value in named.items()}


def load(data: bytes, luma_shape: tuple[int, int], settings: GateSettings) -> GateState | None:
    """What `save` wrote, if it fits a luma of `luma_shape` (H, W); otherwise None.

    None is also given for bytes that are damaged or of another form: the caller says so and starts with
    a fresh state. The time of the last frame is kept as it was; after a restart of the board the first
    frame shows a jump of the clock, and the view is then relearned on top of what the site taught.
    """
    del settings  # nothing that is stored depends on them
    arrays: dict[str, Any] | None = unpacked(data, LARGEST_BYTES)
    if arrays is None:
        return None
    try:
        ones = json.loads(arrays.pop(ONES).tobytes())
        if ones.pop("form") != FORM or tuple(ones.pop("luma_shape")) != tuple(luma_shape):
            return None
        return _build(arrays, ones, luma_shape)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):  # of another form
        return None


def _build(arrays: dict[str, Any], ones: dict[str, Any], luma_shape: tuple[int, int]) -> GateState:
    """Put the parts together; ValueError, KeyError or TypeError when one is missing or misshapen."""
    tally = ones.pop("tally")
    grid = grid_shape(luma_shape)
    parts, modes = _taken(arrays, _SITE), _taken(arrays, _MODES)
    for name, array in arrays.items():
        _check(name, array, grid)
    for name, array in parts.items():
        _check(name, array, REGIONS)
    if (arrays["spread"] < 0).any():
        raise ValueError("spread: a square below 0")
    parts |= _taken(ones, _SITE)
    parts["running"] = tuple(Running(*one) for one in parts["running"])
    return GateState(
        luma_shape=(luma_shape[0], luma_shape[1]),
        site=RegionThresholds(**_by_field(parts)),
        modes=_modes_in(modes | _taken(ones, _MODES), grid),
        tally=_tally_in(tally),
        widest_spread=widest_spread(arrays["spread"]),
        behind=behind_of(arrays["background"]),
        longest_hold_s=float(arrays["linger_s"].max()),
        **_by_field(arrays),
        **_by_field(ones),
    )


def _taken(named: dict[str, Any], prefix: str) -> dict[str, Any]:
    """Take those whose name begins with `prefix` out of `named`; without it they stand in the result."""
    return {name[len(prefix) :]: named.pop(name) for name in list(named) if name.startswith(prefix)}


def _modes_in(parts: dict[str, Any], grid: tuple[int, int]) -> Modes:
    """A memory from before patterns were kept has none: they are then learned from nothing."""
    if not parts:
        return no_modes(grid)
    _check("patterns", parts["patterns"], (MODES, *downsampled_shape(grid)))
    _check("waiting", parts["waiting"], (BATCH, *downsampled_shape(grid)))
    _check("strength", parts["strength"], (MODES,))
    return Modes(**parts)


def _check(name: str, array: Any, shape: tuple[int, ...]) -> None:
    if array.shape != shape or array.dtype != np.float32 or not np.isfinite(array).all():
        raise ValueError(f"{name}: not a map of this view")


def _tally_out(tally: GateTally) -> dict[str, Any]:
    return {field.name: getattr(tally, field.name) for field in fields(tally)}


def _tally_in(value: dict[str, Any]) -> GateTally:
    counts, since = tuple(value["counts"]), tuple(value["since_s"])
    hours = tuple(tuple(row) for row in value["hours"])
    if any(len(row) != len(REASONS) for row in (counts, since, *hours)):
        raise ValueError("tally: counts for other reasons")
    return GateTally(value["running_s"], counts, since, hours)
