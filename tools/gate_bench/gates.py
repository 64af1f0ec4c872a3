"""The gates that are compared: this project's, OpenCV's two background models, and frame difference.

Each takes one luma after another and gives, for every setting of its grid, the boxes that it would let
through. A background model comes in two forms: as usually built (mask, opening, components, least area,
persistence), and with this project's own blob judge behind it (shape, crowd, evidence, the place's bars),
which is the fair comparison.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from dooryard.core.records import Box
from dooryard.gate import GateSettings, watch
from dooryard.gate.background import BODY_RADIUS, CANDIDATE, View, against, gain_between, rate, toward
from dooryard.gate.grid import box_mean, cell_means
from dooryard.gate.modes import no_modes
from dooryard.gate.state import GateState, behind_of, fresh
from dooryard.gate.watch import decide
from gate_bench.clip import Luma

Mask = NDArray[np.uint8]
Choice = tuple[str, str]  # gate, setting
Through = dict[Choice, list[Box]]  # boxes let through

THRESHOLDS = (0.6, 0.8, 0.95, 1.1, 1.4)
AREAS = (30, 80, 200)  # least area of a component in pixels of 320x240
FRAMES = (1, 3, 6)  # frames that a component must have been there before
SCORER_THRESHOLDS = (0.5, 0.95, 1.6, 2.4)
MASK_PARTS = (0.05, 0.1)  # of a body's surroundings; from 0.3 on, peers miss most small birds
OPENING = np.ones((3, 3), np.uint8)


class Gate(Protocol):
    """One method, or two that share a background model, with a grid of settings."""

    @property
    def names(self) -> tuple[str, ...]: ...

    def step(self, luma: Luma, mono_s: float) -> Through: ...


class Own:
    """The gate of this project, one state for each bar."""

    names: tuple[str, ...] = ("dooryard",)

    def __init__(self, thresholds: tuple[float, ...] = THRESHOLDS) -> None:
        self._settings = {
            ("dooryard", f"bar {threshold}"): GateSettings(threshold=threshold) for threshold in thresholds
        }
        self._states: dict[Choice, GateState | None] = dict.fromkeys(self._settings)

    def step(self, luma: Luma, mono_s: float) -> Through:
        out = {}
        for key, settings in self._settings.items():
            self._states[key], motions = watch(self._states[key], luma, mono_s, settings)
            out[key] = [motion.box for motion in motions if motion.reject_reason is None]
        return out


class Model:
    """A background model of OpenCV's: with components, and with this project's judge behind it."""

    def __init__(self, name: str, make: Callable[[], Any], *, scorer: bool = True) -> None:
        self._model = make()
        self._components = Components(name)
        self._scored = ScoredBlob(f"{name} + same scorer") if scorer else None
        self.names: tuple[str, ...] = (name, f"{name} + same scorer") if scorer else (name,)

    def step(self, luma: Luma, mono_s: float) -> Through:
        found = (self._model.apply(luma) == 255).astype(np.uint8)  # 127 marks shadows
        out = self._components.step(found)
        if self._scored:
            out |= self._scored.step(found, luma, self._model.getBackgroundImage(), mono_s)
        return out


class Difference:
    """Absolute difference to the frame before."""

    names: tuple[str, ...] = ("frame difference",)

    def __init__(self, least: int) -> None:
        self._least = least
        self._before: Luma | None = None
        self._components = Components(self.names[0])

    def step(self, luma: Luma, mono_s: float) -> Through:
        del mono_s
        before, self._before = self._before, luma
        if before is None:
            return self._components.step(np.zeros_like(luma))
        return self._components.step((cv2.absdiff(luma, before) > self._least).astype(np.uint8))


class Components:
    """Opening, components, least area, persistence; all settings at once."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._recent: dict[int, list[list[Box]]] = {area: [] for area in AREAS}

    def step(self, mask: Mask) -> Through:
        opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, OPENING)
        _, _, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=8)
        h, w = mask.shape
        out = {}
        for area in AREAS:
            rows = [row for row in stats[1:] if row[cv2.CC_STAT_AREA] >= area]
            boxes = [
                Box(x / w, y / h, (x + wide) / w, (y + tall) / h) for x, y, wide, tall, _ in map(tuple, rows)
            ]
            recent = self._recent[area]
            for frames in FRAMES:
                lasting = boxes if len(recent) >= frames else []
                for old in recent[-frames:]:
                    lasting = [box for box in lasting if any(box.overlap(other) > 0 for other in old)]
                out[self._name, f"area {area}, {frames} frames"] = lasting
            self._recent[area] = [*recent, boxes][-max(FRAMES) :]
        return out


class ScoredBlob:
    """The mask's share in each cell, averaged over a body and a second, put before the gate's own judge."""

    def __init__(self, name: str) -> None:
        self._settings = {
            (name, f"mask {part}, bar {threshold}"): (part, GateSettings(threshold=threshold))
            for part in MASK_PARTS
            for threshold in SCORER_THRESHOLDS
        }
        self._states: dict[Choice, GateState] = {}

    def step(self, mask: Mask, luma: Luma, background: Luma, mono_s: float) -> Through:
        if not self._states:
            self._states = {key: fresh(luma, mono_s) for key in self._settings}
            return {key: [] for key in self._settings}
        any_state = next(iter(self._states.values()))
        level, empty = cell_means(luma), cell_means(background)
        behind = behind_of(empty)
        gain = gain_between(level, behind)
        raw, local = against(level, empty, behind, gain)
        share = box_mean(cell_means(mask), BODY_RADIUS)
        sign = np.where(box_mean(raw, BODY_RADIUS) < 0, np.float32(-1), np.float32(1))
        out = {}
        for key, (part, settings) in self._settings.items():
            # The peer's background, not the judge's own.
            state = replace(self._states[key], background=empty, behind=behind)
            dt_s = mono_s - state.last_s
            # The judge's cells count from a ratio of CANDIDATE: here that is `part` of the mask.
            ratio = share * sign * np.float32(CANDIDATE / part)
            mean = toward(state.mean, ratio, rate(dt_s, settings.smooth_s))
            view = View(
                level=level, repeated=False, gain=gain, shift=(0.0, 0.0), local=local, raw=raw, whole=share,
                gust=1.0, change=share,
                mean=mean, quick=mean, deviation=any_state.deviation,
                usual=np.ones_like(mean), ratio=np.abs(mean),
                differ=int(np.count_nonzero(np.abs(mean) > CANDIDATE)),
            )  # fmt: skip
            after, motions = decide(state, view, mono_s, settings)
            # The wind's patterns are this gate's own: they are not what a peer's mask is judged by.
            self._states[key] = replace(after, modes=no_modes(mean.shape))
            out[key] = [motion.box for motion in motions if motion.reject_reason is None]
        return out


def mog2(threshold: float) -> Callable[[], Any]:
    """Zivkovic 2004; Zivkovic & van der Heijden 2006."""
    return lambda: cv2.createBackgroundSubtractorMOG2(history=500, varThreshold=threshold, detectShadows=True)


def knn(threshold: float) -> Callable[[], Any]:
    """Zivkovic & van der Heijden 2006."""
    return lambda: cv2.createBackgroundSubtractorKNN(
        history=500, dist2Threshold=threshold, detectShadows=True
    )


def every_gate() -> list[Gate]:
    """All methods, each with its grid."""
    models: list[Gate] = [Model(f"MOG2 {threshold:g}", mog2(threshold)) for threshold in (16.0, 40.0)]
    models += [Model(f"KNN {threshold:g}", knn(threshold)) for threshold in (400.0, 1200.0)]
    return [Own(), *models, Difference(15)]


def downsampled_gates() -> list[Gate]:
    """For a quick look: this gate as it ships, and one usual peer."""
    return [Own((GateSettings().threshold,)), Model("MOG2 16", mog2(16.0), scorer=False)]


def own_only() -> list[Gate]:
    """The gate of this project alone, for many hours."""
    return [Own((0.8, 0.95, 1.1))]
