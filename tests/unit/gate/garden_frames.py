"""Small made-up frames for the gate's tests: texture, a swinging thing, a visitor, noise."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from dooryard.gate import GateSettings, watch

SHAPE = (240, 320)


@lru_cache(maxsize=16)
def ground(shape=SHAPE, seed=1, low=60, high=170):
    """A still textured view, float64 (H, W): smooth noise at two scales, the same at every size."""
    rng = np.random.default_rng(seed)
    out = np.zeros(shape)
    for cells, weight in ((6, 0.6), (24, 0.4)):
        coarse = rng.random((cells, cells * 4 // 3))
        ys = np.linspace(0, coarse.shape[0] - 1.001, shape[0])
        xs = np.linspace(0, coarse.shape[1] - 1.001, shape[1])
        y0, x0 = ys.astype(int), xs.astype(int)
        fy, fx = (ys - y0)[:, None], (xs - x0)[None, :]
        c = coarse
        top = c[y0][:, x0] * (1 - fx) + c[y0][:, x0 + 1] * fx
        bottom = c[y0 + 1][:, x0] * (1 - fx) + c[y0 + 1][:, x0 + 1] * fx
        out += weight * (top * (1 - fy) + bottom * fy)
    return low + (high - low) * (out - out.min()) / (out.max() - out.min())


def with_patch(view, x, y, width=0.1, level=25.0):
    """`view` with a dark square (relative centre and width) on it."""
    out = view.copy()
    h, w = view.shape
    half = width * w / 2
    out[
        max(0, round(y * h - half)) : round(y * h + half), max(0, round(x * w - half)) : round(x * w + half)
    ] = level
    return out


@lru_cache(maxsize=8)
def noise_field(shape):
    """Standard normal noise, larger than a frame: a part of it anywhere is a frame's noise."""
    return np.random.default_rng(99).normal(0, 1, (shape[0] + 97, shape[1] + 97)).astype(np.float32)


def noisy(view, rng, sigma=1.5):
    """`view` as uint8 with sensor noise of `sigma` grey levels."""
    h, w = view.shape
    y, x = rng.integers(0, 97, 2)
    return np.clip(view + sigma * noise_field(view.shape)[y : y + h, x : x + w], 0, 255).astype(np.uint8)


def passed(motions):
    """The boxes that were let through."""
    return [motion.box for motion in motions if motion.reject_reason is None]


def play(frames, fps=5.0, state=None, *, start_s=100.0, settings=None, occupied=()):
    """Show all `frames`; return the last state and the motions of each frame."""
    settings = settings or GateSettings()
    said = []
    for number, frame in enumerate(frames):
        state, motions = watch(state, frame, start_s + number / fps, settings, occupied)
        said.append(motions)
    return state, said


def empty(seconds=20.0, fps=5.0, shape=SHAPE, seed=7, sigma=1.5):
    """Frames of the empty view."""
    rng = np.random.default_rng(seed)
    view = ground(shape)
    return [noisy(view, rng, sigma) for _ in range(round(seconds * fps))]
