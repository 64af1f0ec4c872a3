"""The feeder on its wire, the pole or branch it hangs from, and the leaves in front."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from dooryard.camera.garden.brush import Colour, blurred, colour, foliage
from dooryard.camera.garden.layout import Layout
from dooryard.camera.garden.paint_garden import MARGIN
from dooryard.camera.garden.settings import DESIGN_WIDTH, Backdrop, Feeder

FINE = 3  # the feeder is painted this much larger, then reduced
_GREEN: Colour = (70, 98, 76)
_WOOD: Colour = (142, 104, 66)
_SEEDS: tuple[Colour, ...] = ((52, 46, 44), (188, 154, 104), (146, 112, 70), (212, 188, 138))
_NUTS: tuple[Colour, ...] = ((196, 148, 98), (178, 122, 76), (214, 172, 122))
_LEAVES: tuple[Colour, ...] = ((110, 150, 58), (92, 132, 54), (132, 166, 70))
_DEAD_LEAVES: tuple[Colour, ...] = ((150, 104, 62), (128, 90, 58))  # a beech keeps them in winter


@dataclass(frozen=True, slots=True, eq=False)
class Hanging:
    """The feeder at rest."""

    image: Image.Image  # RGBA, design pixels
    pivot: tuple[float, float]  # in `image`


_Area = tuple[float, float, float, float]  # x0, y0, x1, y1 on the bench


@dataclass(frozen=True, slots=True)
class _Grain:
    tones: tuple[Colour, ...]
    size: float


@dataclass(slots=True)
class _Bench:
    """What is painted on: x across from the feeder's middle, y down from the top of its body."""

    image: Image.Image
    draw: ImageDraw.ImageDraw
    unit: float  # painted pixels per feeder unit
    top: float  # painted y of the body's top

    def box(self, x0: float, y0: float, x1: float, y1: float) -> _Area:
        middle = self.image.width / 2
        return (
            middle + x0 * self.unit,
            self.top + y0 * self.unit,
            middle + x1 * self.unit,
            self.top + y1 * self.unit,
        )


def paint_feeder(layout: Layout, rng: np.random.Generator) -> Hanging:
    """The feeder that `layout` names. Fits the perches given there."""
    unit = layout.size * FINE
    size = (int(128 * unit), int((layout.wire + 212 * layout.size) * FINE))
    image = Image.new("RGBA", size, (0, 0, 0, 0))
    bench = _Bench(image, ImageDraw.Draw(image), unit, layout.wire * FINE)
    middle = size[0] / 2
    bench.draw.line((middle, 0, middle, bench.top + 8 * unit), fill=(66, 62, 58, 255), width=FINE + 1)
    painters = {Feeder.TUBE: _tube, Feeder.CAGE: _cage, Feeder.TRAY: _tray}
    painters[layout.feeder](bench, rng)
    reduced = image.resize((size[0] // FINE, size[1] // FINE), Image.Resampling.LANCZOS)
    return Hanging(blurred(reduced, 0.45), (reduced.width / 2, 0.0))


def _cylinder(bench: _Bench, area: _Area, tone: Colour, shine: float = 0.45) -> None:
    """An opaque upright cylinder lit from the upper left."""
    left, top, right, bottom = (round(value) for value in bench.box(*area))
    for x in range(left, right):
        across = (x - left + 0.5) / (right - left) * 2.0 - 1.0
        light = 0.5 + 0.52 * math.sqrt(max(0.0, 1.0 - (across + 0.22) ** 2))
        light += shine * math.exp(-(((across + 0.45) / 0.14) ** 2))
        bench.draw.line((x, top, x, bottom), fill=colour([part * light for part in tone]))


def _grains(bench: _Bench, rng: np.random.Generator, area: _Area, kind: _Grain, count: int) -> None:
    left, top, right, bottom = bench.box(*area)
    for _ in range(count):
        x, y = float(rng.uniform(left, right)), float(rng.uniform(top, bottom))
        across, down = (float(rng.uniform(0.6, 1.3)) * kind.size * bench.unit for _ in range(2))
        tone = np.array(kind.tones[int(rng.integers(len(kind.tones)))]) * rng.uniform(0.55, 1.2)
        bench.draw.ellipse((x - across, y - down * 0.7, x + across, y + down * 0.7), fill=colour(list(tone)))


def _glass(bench: _Bench, area: _Area) -> None:
    """Darker toward the rims, with one bright streak: a clear tube over what was painted."""
    left, top, right, bottom = (round(value) for value in bench.box(*area))
    cover = Image.new("RGBA", bench.image.size, (0, 0, 0, 0))
    draw = ImageDraw.Draw(cover)
    for x in range(left, right + 1):
        across = abs((x - left) / (right - left) * 2.0 - 1.0)
        draw.line((x, top, x, bottom), fill=(16, 20, 16, int(165 * across**3)))
    streak = left + (right - left) * 0.24
    draw.rectangle((streak, top, streak + (right - left) * 0.09, bottom), fill=(255, 255, 255, 95))
    bench.image.alpha_composite(cover)


def _roof(bench: _Bench, half: float, height: float, y: float, tone: Colour) -> None:
    """A domed cap with a lighter left flank."""
    for step in range(40):
        share = step / 40.0
        inset = half * share * 0.85
        light = 0.62 + 0.5 * (1.0 - abs(share * 1.6 - 0.6))
        fill = colour([part * light for part in tone])
        bench.draw.pieslice(
            bench.box(-half + inset * 0.6, y, half - inset * 1.4, y + 2.0 * height), 180, 360, fill=fill
        )


def _tube(bench: _Bench, rng: np.random.Generator) -> None:
    bench.draw.rectangle(bench.box(-22, 26, 22, 176), fill=(206, 214, 208, 150))
    level = float(rng.uniform(42, 84))
    bench.draw.rectangle(bench.box(-22, level, 22, 176), fill=(118, 94, 62, 255))
    _grains(bench, rng, (-21, level, 21, 175), _Grain(_SEEDS, 1.5), 1500)
    _glass(bench, (-22, 26, 22, 176))
    _roof(bench, 33, 20, 8, _GREEN)
    _cylinder(bench, (-24, 172, 24, 184), _GREEN)
    _cylinder(bench, (-54, 186, 54, 193), _GREEN, 0.2)
    _grains(bench, rng, (-48, 183, 48, 186), _Grain(_SEEDS, 1.3), 70)
    for y in (92, 146):
        for side in (-1, 1):
            low, high = sorted((side * 14, side * 54))
            bench.draw.rectangle(bench.box(low, y, high, y + 3), fill=colour(_WOOD))
            low, high = sorted((side * 10, side * 20))
            bench.draw.ellipse(bench.box(low, y - 15, high, y - 4), fill=(44, 50, 44, 255))


def _cage(bench: _Bench, rng: np.random.Generator) -> None:
    bench.draw.rectangle(bench.box(-25, 24, 25, 146), fill=(92, 72, 50, 255))
    _grains(bench, rng, (-23, 30, 23, 144), _Grain(_NUTS, 3.6), 420)
    _glass(bench, (-25, 24, 25, 146))
    for line in range(-25, 26, 5):
        bench.draw.rectangle(bench.box(line - 0.5, 24, line + 0.5, 146), fill=(78, 82, 80, 255))
    for line in range(24, 147, 6):
        bench.draw.rectangle(bench.box(-25, line - 0.5, 25, line + 0.5), fill=(96, 100, 98, 255))
    _cylinder(bench, (-29, 14, 29, 26), (88, 66, 48), 0.2)
    _roof(bench, 34, 14, 2, (104, 78, 54))
    _cylinder(bench, (-29, 144, 29, 153), (88, 66, 48), 0.2)
    bench.draw.rectangle(bench.box(-56, 151, 56, 155), fill=colour(_WOOD))


def _tray(bench: _Bench, rng: np.random.Generator) -> None:
    middle, _, _, _ = bench.box(0, 0, 0, 0)
    for x in (-58, -20, 20, 58):
        end = bench.box(x, 116, x, 116)
        bench.draw.line((middle, bench.top, end[0], end[1]), fill=(58, 56, 54, 255), width=FINE)
    _grains(bench, rng, (-52, 113, 52, 119), _Grain(_SEEDS, 1.9), 420)
    for step in range(10):
        tone = [part * (1.12 - 0.05 * step) for part in _WOOD]
        bench.draw.rectangle(bench.box(-62, 119 + step, 62, 120 + step), fill=colour(tone))
    bench.draw.rectangle(bench.box(-62, 127, 62, 130), fill=(74, 54, 36, 255))


def paint_support(layout: Layout, height: int) -> Image.Image:
    """The pole with its hook, RGBA with MARGIN on each side, as large as the background."""
    image = Image.new("RGBA", (DESIGN_WIDTH + 2 * MARGIN, height + 2 * MARGIN), (0, 0, 0, 0))
    if not layout.has_feeder:
        return image
    draw = ImageDraw.Draw(image)
    x, y = layout.pivot[0] + MARGIN, layout.pivot[1] + MARGIN
    reach = 92.0 * layout.pole_side
    foot_y = layout.pole_foot_y(height) + MARGIN
    bend = [(x, y), (x + reach * 0.04, y - 11)]
    bend += [
        (x + reach * (0.5 - 0.5 * math.cos(turn)), y - 11 - 22 * math.sin(turn))
        for turn in np.linspace(0.0, math.pi, 24)
    ]
    line = [*bend, (x + reach, foot_y)]
    for wide, tone in ((7, (40, 42, 42)), (4, (66, 70, 68)), (1, (120, 124, 120))):
        shift = (7 - wide) * 0.22
        draw.line([(a - shift, b) for a, b in line], fill=(*tone, 255), width=wide, joint="curve")
    return blurred(image, 0.7)


def paint_front(layout: Layout, height: int, amount: float, rng: np.random.Generator) -> Image.Image:
    """Leaves near the camera in an upper corner, RGBA with MARGIN on each side. `amount` 0..1."""
    image = Image.new("RGBA", (DESIGN_WIDTH + 2 * MARGIN, height + 2 * MARGIN), (0, 0, 0, 0))
    if amount <= 0.0:
        return image
    reach = 110.0 + 120.0 * amount
    clumps = []
    for _ in range(int(6 + 30 * amount)):
        across = float(rng.beta(0.9, 2.2)) * reach
        down = float(rng.beta(0.8, 2.6)) * (reach * 1.15 - across)
        x = across if layout.leaves_side < 0 else image.width - across
        clumps.append((x, down, float(rng.uniform(12, 30))))
    clumps.sort(key=lambda clump: -clump[1])
    draw = ImageDraw.Draw(image)
    for x, y, _ in clumps[::3]:
        start = 0.0 if layout.leaves_side < 0 else float(image.width)
        draw.line((start, y * 0.3, x, y), fill=(84, 66, 48, 255), width=3)
    tones = _DEAD_LEAVES if layout.backdrop is Backdrop.SNOW else _LEAVES
    foliage(rng, image, clumps, tones, leaf_px=30, per_clump=13)
    return blurred(image, 0.9)
