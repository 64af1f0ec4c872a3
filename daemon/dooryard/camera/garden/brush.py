"""Brushes for painting the garden: noise textures, leaves, blossoms, soft masks."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

Colour = tuple[float, float, float]  # 0..255 each
Texture = NDArray[np.float32]  # (H, W)
Painting = NDArray[np.float32]  # (H, W, 3), 0..255
Place = Callable[[np.random.Generator], tuple[float, float]]


def noise_texture(
    rng: np.random.Generator, shape: tuple[int, int], cell: tuple[float, float], octaves: int = 3
) -> Texture:
    """Smooth noise within 0..1. `cell` is the size (down, across) of its largest patches in pixels."""
    total = np.zeros(shape, np.float32)
    weight, sum_of_weights = 1.0, 0.0
    for octave in range(octaves):
        rows = max(2, round(shape[0] / cell[0] * 2**octave))
        columns = max(2, round(shape[1] / cell[1] * 2**octave))
        coarse = Image.fromarray(rng.random((rows, columns), dtype=np.float32))
        total += weight * np.asarray(coarse.resize((shape[1], shape[0]), Image.Resampling.BICUBIC))
        sum_of_weights += weight
        weight *= 0.55
    return np.asarray(np.clip(total / sum_of_weights, 0.0, 1.0), dtype=np.float32)


def blurred(image: Image.Image, radius: float) -> Image.Image:
    """`image` out of focus by a Gaussian of `radius` pixels."""
    if radius <= 0.0:
        return image
    if image.mode != "RGBA":
        return image.filter(ImageFilter.GaussianBlur(radius))
    # With premultiplied colours, else what is transparent bleeds into the edges as black.
    return image.convert("RGBa").filter(ImageFilter.GaussianBlur(radius)).convert("RGBA")


def to_painting(image: Image.Image) -> Painting:
    return np.asarray(image.convert("RGB"), dtype=np.float32)


def to_image(painting: Painting) -> Image.Image:
    return Image.fromarray(np.clip(painting + 0.5, 0, 255).astype(np.uint8))


def colour(values: Sequence[float], alpha: int = 255) -> tuple[int, int, int, int]:
    """A colour for Pillow from three numbers, clipped to 0..255."""
    red, green, blue = (int(min(255.0, max(0.0, value))) for value in values)
    return red, green, blue, alpha


def leaf(
    draw: ImageDraw.ImageDraw, at: tuple[float, float], length: float, angle: float, tone: Sequence[float]
) -> None:
    """One leaf of two halves, the upper a little lighter, with its tip `length` away along `angle`."""
    along = (math.cos(angle) * length, math.sin(angle) * length)
    wide = (-along[1] * 0.27, along[0] * 0.27)
    x, y = at
    tip = (x + along[0], y + along[1])
    middle = (x + along[0] * 0.42, y + along[1] * 0.42)
    upper, lower = (-1, 1) if wide[1] > 0 else (1, -1)
    for side, light in ((lower, 0.84), (upper, 1.12)):
        edge = (middle[0] + side * wide[0], middle[1] + side * wide[1])
        shoulder = (x + along[0] * 0.75 + side * wide[0] * 0.66, y + along[1] * 0.75 + side * wide[1] * 0.66)
        draw.polygon([at, edge, shoulder, tip], fill=colour([light * part for part in tone]))


def foliage(
    rng: np.random.Generator,
    image: Image.Image,
    clumps: Sequence[tuple[float, float, float]],
    tones: Sequence[Colour],
    *,
    leaf_px: float,
    per_clump: int,
) -> None:
    """Clumps of leaves (x, y, radius), each dark below and light above, as under a high sun."""
    draw = ImageDraw.Draw(image)
    for x, y, radius in clumps:
        tone = np.array(tones[int(rng.integers(len(tones)))]) * rng.uniform(0.8, 1.15)
        shades = np.sort(rng.uniform(0.0, 1.0, per_clump))
        for shade in shades:
            turn, reach = rng.uniform(0.0, 2.0 * math.pi), radius * math.sqrt(rng.random())
            left, up = reach * math.cos(turn), reach * math.sin(turn) * 0.8
            lift = 0.5 - 0.32 * up / radius - 0.14 * left / radius
            light = 0.34 + 0.62 * (0.5 * shade + 0.5 * lift) + rng.normal() * 0.05
            warmth = np.array([1.0 + 0.25 * (light - 0.6), 1.0, 1.0 - 0.3 * (light - 0.6)])
            angle = rng.normal(math.pi / 2, 1.1)
            size = leaf_px * rng.uniform(0.6, 1.3)
            leaf(draw, (x + left, y + up), size, angle, list(tone * light * warmth))


def blossoms(
    rng: np.random.Generator,
    image: Image.Image,
    place: Place,
    tones: Sequence[Colour],
    *,
    count: int,
    radius: float,
) -> None:
    """Small round flowers with a darker lower half."""
    draw = ImageDraw.Draw(image)
    for _ in range(count):
        x, y = place(rng)
        size = radius * rng.uniform(0.6, 1.25)
        tone = np.array(tones[int(rng.integers(len(tones)))]) * rng.uniform(0.85, 1.1)
        draw.ellipse((x - size, y - size, x + size, y + size), fill=colour(list(tone * 0.78)))
        draw.ellipse((x - size * 0.8, y - size, x + size * 0.8, y + size * 0.5), fill=colour(list(tone)))


def ramp(low: float, high: float, values: NDArray[np.float32]) -> NDArray[np.float32]:
    """0 below `low`, 1 above `high`, smooth between."""
    share = np.clip((values - low) / (high - low), 0.0, 1.0)
    return np.asarray(share * share * (3.0 - 2.0 * share), dtype=np.float32)
