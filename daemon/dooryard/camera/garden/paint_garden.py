"""The garden behind the feeder, painted once per scene: sky, trees, hedge or fence, border, lawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from dooryard.camera.garden.brush import (
    Colour,
    Texture,
    blossoms,
    blurred,
    foliage,
    noise_texture,
    ramp,
    to_image,
    to_painting,
)
from dooryard.camera.garden.layout import Layout
from dooryard.camera.garden.settings import DESIGN_WIDTH, Backdrop

MARGIN = 24  # painted beyond each edge of the view, so that shake and sway find something there

_TREES: tuple[Colour, ...] = ((104, 138, 62), (84, 122, 60), (124, 148, 70), (92, 126, 78))
_SHRUBS: tuple[Colour, ...] = ((110, 146, 62), (134, 162, 72), (84, 126, 58), (120, 142, 88))
_FLOWERS: tuple[Colour, ...] = ((196, 122, 190), (232, 226, 214), (214, 96, 122), (150, 128, 206))
_WOOD: tuple[Colour, ...] = ((150, 124, 98), (128, 112, 98), (164, 136, 104))
_LAWN = np.array([112, 146, 66], np.float32)
_SNOW = np.array([236, 240, 246], np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """The painted background with MARGIN on each side.

    `yields` says how far each pixel gives way to the wind: 0 a fence or the lawn, 1 the top of a tree.
    """

    image: Image.Image  # RGB
    yields: Texture  # (H, W), 0..1


def paint_background(layout: Layout, height: int, rng: np.random.Generator) -> Background:
    """Paint what `layout` asks for, in design pixels, `height` of the view without margin."""
    shape = (height + 2 * MARGIN, DESIGN_WIDTH + 2 * MARGIN)
    horizon = layout.horizon + MARGIN
    down = np.arange(shape[0], dtype=np.float32)[:, None] * np.ones((1, shape[1]), np.float32)
    image = _sky(layout, shape, horizon, rng)
    yields = 1.0 - ramp(horizon - 60.0, horizon - 4.0, down)
    if layout.backdrop is not Backdrop.SKY:
        image = _trees(image, layout, horizon, rng)
    else:
        yields *= ramp(horizon - 190.0, horizon - 120.0, down)
    if layout.backdrop in (Backdrop.FENCE, Backdrop.SNOW):
        top = horizon - float(rng.uniform(105, 140))
        image = _fence(image, top, horizon + 6.0, rng)
        yields *= 1.0 - 0.93 * ramp(top - 8.0, top + 4.0, down)
    if layout.backdrop is not Backdrop.SNOW:
        image, mask = _border(image, layout, horizon, rng)
        yields = np.maximum(yields, 0.75 * mask)
    image = _lawn(image, layout, horizon, rng)
    yields *= 1.0 - ramp(horizon - 6.0, horizon + 10.0, down)
    return Background(image, np.asarray(yields, dtype=np.float32))


def _sky(layout: Layout, shape: tuple[int, int], horizon: float, rng: np.random.Generator) -> Image.Image:
    """A pale gradient with soft clouds; painted at half size, for there is nothing sharp in it."""
    bright = layout.backdrop in (Backdrop.SKY, Backdrop.SNOW)
    high = np.array([206, 222, 240] if bright else [150, 186, 222], np.float32)
    low = np.array([240, 243, 244] if bright else [214, 226, 228], np.float32)
    half = (shape[0] // 2, shape[1] // 2)
    share = np.clip(np.arange(half[0], dtype=np.float32) / (horizon / 2.0), 0.0, 1.0)[:, None, None]
    cloud = np.float32(0.6) * ramp(0.45, 0.75, noise_texture(rng, half, (35, 90)))[..., None]
    sky = high * (1.0 - share) + low * share
    sky = sky * (1.0 - cloud) + np.float32(250.0) * cloud
    return to_image(sky).resize((shape[1], shape[0]), Image.Resampling.BICUBIC)


def _trees(image: Image.Image, layout: Layout, horizon: float, rng: np.random.Generator) -> Image.Image:
    """Far trees, well out of focus: leaves in the sun and a few holes of sky."""
    width = image.width
    snow = layout.backdrop is Backdrop.SNOW
    tones = ((150, 146, 142), (122, 118, 112)) if snow else _TREES
    cover = {Backdrop.ORCHARD: 70, Backdrop.SNOW: 26}.get(layout.backdrop, 110)
    clumps = []
    for _ in range(cover):
        y = horizon * float(rng.beta(1.7, 1.0))
        clumps.append((float(rng.uniform(-30, width + 30)), y, float(rng.uniform(28, 62))))
    clumps.sort(key=lambda clump: clump[1])
    canvas = Image.new("RGBA", image.size, (0, 0, 0, 0))
    foliage(rng, canvas, clumps, tones, leaf_px=24, per_clump=42)
    layered = image.convert("RGBA")
    layered.alpha_composite(blurred(canvas, 4.2))
    return layered.convert("RGB")


def _fence(image: Image.Image, top: float, bottom: float, rng: np.random.Generator) -> Image.Image:
    """Upright boards with grain, a gap between each two, and the shadow of the rail."""
    first_row = int(top) - 12
    band = (0, first_row, image.width, int(bottom) + 12)
    painting = to_painting(image.crop(band))
    wood = np.array(_WOOD[int(rng.integers(len(_WOOD)))], np.float32)
    board = int(rng.integers(30, 44))
    x = -int(rng.integers(0, board))
    while x < painting.shape[1]:
        first, last = max(0, x), min(painting.shape[1], x + board - 2)
        start, end = int(top) - first_row + int(rng.integers(-3, 4)), int(bottom) - first_row
        if last - first > 2:
            grain = noise_texture(rng, (end - start, last - first), (90, 7), 3)
            shade = np.linspace(1.06, 0.80, end - start, dtype=np.float32)[:, None]
            tone = wood * np.float32(rng.uniform(0.84, 1.1))
            painting[start:end, first:last] = tone * ((0.62 + 0.62 * grain) * shade)[..., None]
            painting[start:end, first : first + 2] *= 0.6
            painting[start:end, last : last + 2] *= 0.35
        x += board
    rail = int(top) + 22 - first_row
    painting[rail : rail + 3] *= 0.72
    out = image.copy()
    mask = Image.new("L", (image.width, band[3] - band[1]), 0)
    ImageDraw.Draw(mask).rectangle((0, 6, image.width, mask.height - 10), fill=255)
    out.paste(blurred(to_image(painting), 1.7), (0, first_row), blurred(mask, 1.2))
    return out


def _border(
    image: Image.Image, layout: Layout, horizon: float, rng: np.random.Generator
) -> tuple[Image.Image, Texture]:
    """Shrubs and flowers where the lawn ends; returns also where they stand (0..1)."""
    width = image.width
    tall = {Backdrop.HEDGE: 130.0, Backdrop.ORCHARD: 46.0}.get(layout.backdrop, 74.0)
    clumps: list[tuple[float, float, float]] = []
    for _ in range(9 if layout.backdrop is not Backdrop.HEDGE else 17):
        centre, size = float(rng.uniform(0, width)), float(rng.uniform(0.45, 1.0))
        for _ in range(12):
            x = centre + float(rng.normal()) * 30.0
            y = horizon + 6.0 - tall * size * float(rng.beta(1.1, 1.5))
            clumps.append((x, y, float(rng.uniform(9, 21))))
    clumps.sort(key=lambda clump: clump[1])
    canvas = Image.new("RGBA", image.size, (0, 0, 0, 0))
    foliage(rng, canvas, clumps, _SHRUBS, leaf_px=12, per_clump=34)
    tones = [_FLOWERS[int(pick)] for pick in rng.integers(0, len(_FLOWERS), 2)]
    spots = [clumps[int(pick)] for pick in rng.integers(0, len(clumps), 16)]

    def place(draws: np.random.Generator) -> tuple[float, float]:
        x, y, radius = spots[int(draws.integers(len(spots)))]
        return x + float(draws.normal()) * radius * 0.7, y - 4.0 + float(draws.normal()) * radius * 0.7

    blossoms(rng, canvas, place, tones, count=110, radius=2.6)
    canvas = blurred(canvas, 1.5)
    layered = image.convert("RGBA")
    layered.alpha_composite(canvas)
    mask = np.asarray(blurred(canvas.getchannel("A"), 5.0), dtype=np.float32) / 255.0
    return layered.convert("RGB"), mask


def _lawn(image: Image.Image, layout: Layout, horizon: float, rng: np.random.Generator) -> Image.Image:
    """Grass: far and soft at the horizon, blades and daisies near; or snow."""
    first_row = int(horizon) - 10
    painting = to_painting(image.crop((0, first_row, *image.size)))
    shape = painting.shape[:2]
    down = (np.arange(shape[0], dtype=np.float32) + np.float32(first_row - horizon))[:, None]
    edge = 5.0 * (noise_texture(rng, (1, image.width), (1, 60), 2) - 0.5)
    nearness = np.clip(down / np.float32(image.height - horizon), 0.0, 1.0)
    patches = noise_texture(rng, shape, (36, 150), 4) - 0.5
    fine = np.asarray(blurred(_speckle(rng, shape), 0.8), dtype=np.float32) / 255.0 - 0.5
    snow = layout.backdrop is Backdrop.SNOW
    rough = (0.10, 0.12) if snow else (0.75, 1.5)
    light = 0.86 + 0.2 * nearness + rough[0] * patches * (0.5 + 0.5 * nearness)
    light += rough[1] * fine * nearness**0.7
    light *= 1.0 - 0.38 * np.exp(-np.maximum(0.0, down) / 11.0)
    grass = (_SNOW if snow else _LAWN) * light[..., None]
    if not snow:
        grass[..., 0] *= 1.0 + 0.28 * patches
        grass[..., 2] *= 1.0 - 0.2 * patches
    painting += ramp(-2.0, 4.0, down - edge)[..., None] * (grass - painting)
    out = image.copy()
    out.paste(to_image(painting), (0, first_row))
    return out if snow else _blades(out, horizon, rng)


def _speckle(rng: np.random.Generator, shape: tuple[int, int]) -> Image.Image:
    return Image.fromarray(rng.integers(0, 256, shape, dtype=np.uint8))


def _blades(image: Image.Image, horizon: float, rng: np.random.Generator) -> Image.Image:
    canvas = image.convert("RGBA")
    draw = ImageDraw.Draw(canvas, "RGBA")
    for _ in range(3200):
        near = float(rng.random()) ** 0.75
        y = horizon + 8.0 + (image.height - horizon) * near
        x, tall = float(rng.uniform(0, image.width)), 2.0 + 10.0 * near
        tone = np.array([104, 146, 58]) * rng.uniform(0.62, 1.36)
        red, green, blue = (int(min(255, part)) for part in tone)
        tip = (x + float(rng.normal()) * tall * 0.45, y - tall)
        draw.line((x, y, *tip), fill=(red, green, blue, 110 + int(90 * near)), width=1)
    for _ in range(int(rng.integers(8, 34))):
        near = float(rng.uniform(0.15, 1.0))
        x, y = float(rng.uniform(0, image.width)), horizon + (image.height - horizon) * near
        size = 0.8 + 1.7 * near
        draw.ellipse((x - size, y - size * 0.7, x + size, y + size * 0.7), fill=(240, 240, 232, 235))
        draw.ellipse(
            (x - size * 0.35, y - size * 0.3, x + size * 0.35, y + size * 0.3), fill=(230, 190, 70, 255)
        )
    return blurred(canvas.convert("RGB"), 0.6)
