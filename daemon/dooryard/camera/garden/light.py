"""How light falls on the garden: cloud shadows, leaf shadows, colour of the hour, rain, sensor noise.

Pictures are kept in sRGB-like values with a pure power law of exponent 1 / GAMMA. A factor on linear
light is then a factor on picture values, and a sensor's shot noise, whose deviation grows with the root
of the light, has nearly the same deviation at every picture value. Both keep the arithmetic small.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from dooryard.camera.garden.brush import noise_texture, ramp
from dooryard.camera.garden.plan import GardenScene
from dooryard.camera.garden.settings import DESIGN_WIDTH, GardenSettings, PixelSize

GAMMA = 2.2
EXPOSED = 1.35  # linear; how much brighter than painted a well exposed picture is
NOISE_LEVELS = 4.0  # deviation in grey levels at noise 1, gain 1, in a colour plane 640 wide
CLOUD_DEPTH = 0.16  # how much a passing cloud's edge darkens picture values
DAPPLE_DEPTH = 0.42
RAIN_TILES = 5
NOISE_SPARE = 64  # noise tiles are larger than the picture by this much

Map = NDArray[np.float32]


class Light:
    """Factors on picture values, at half the picture's resolution."""

    def __init__(
        self, settings: GardenSettings, view: PixelSize, horizon: float, rng: np.random.Generator
    ) -> None:
        """`horizon` in design pixels: leaf shadows lie mostly on the lawn below it."""
        self._settings = settings
        self._height, self._width = view.height // 2, view.width // 2
        self._scale = view.scale / 2.0  # half-resolution pixels per design pixel
        # Drawn at a fixed size, so that all picture sizes see the same shadows.
        half = (settings.design_height // 2, DESIGN_WIDTH // 2)
        cloud = ramp(0.42, 0.58, noise_texture(rng, half, (120, 110), 2))
        self._cloud = np.tile(self._sized(np.minimum(cloud, cloud[:, ::-1]), spare=0), (1, 2))
        self._dapple = [
            self._sized(
                ramp(0.46, 0.56, noise_texture(rng, (half[0] + 40, half[1] + 40), (17, 30), 3)), spare=20
            )
            for _ in range(2)
        ]
        y, x = np.mgrid[-1.0 : 1.0 : self._height * 1j, -1.0 : 1.0 : self._width * 1j]
        self._vignette = (1.0 - 0.075 * (x * x + y * y)).astype(np.float32)
        ground = ramp(
            horizon * self._scale - 40.0 * self._scale,
            horizon * self._scale + 30.0 * self._scale,
            np.arange(self._height, dtype=np.float32)[:, None],
        )
        self._dapple_where = (0.35 + 0.65 * ground) * DAPPLE_DEPTH * settings.dapple
        self._spare = round(20 * self._scale * 2.0)

    def _sized(self, tile: Map, spare: int) -> Map:
        """`tile`, with `spare` half-resolution design pixels on each side, for this picture's size."""
        size = (
            self._width + 2 * round(spare * self._scale * 2.0),
            self._height + 2 * round(spare * self._scale * 2.0),
        )
        image = Image.fromarray(tile).resize(size, Image.Resampling.BILINEAR, reducing_gap=2.0)
        return np.array(image, dtype=np.float32)

    def factors(self, scene: GardenScene) -> Map:
        """Factor on each picture value, (H/2, W/2)."""
        level = min(2.0, EXPOSED * scene.brightness) ** (1.0 / GAMMA)
        out: Map = self._vignette * np.float32(level)
        if self._settings.clouds > 0.0:
            start = int(scene.cloud_px * self._scale) % self._width
            edge = self._cloud[:, start : start + self._width]
            out *= 1.0 - np.float32(CLOUD_DEPTH * self._settings.clouds) * edge
        if self._settings.dapple > 0.0:
            out *= 1.0 - np.float32(scene.sun) * self._dapple_where * self._leaf_shadow(scene)
        return out

    def _leaf_shadow(self, scene: GardenScene) -> Map:
        """0 in the sun .. 1 in the shade of leaves that move."""
        first = self._shifted(
            self._dapple[0], 1.3 * scene.leaves_px[0] + scene.leaves_px[1], scene.leaves_px[2]
        )
        second = self._shifted(
            self._dapple[1], 1.1 * scene.leaves_px[0] - scene.leaves_px[3], scene.leaves_px[1]
        )
        return np.asarray(np.maximum(first, second))

    def _shifted(self, tile: Map, across_px: float, down_px: float) -> Map:
        """The part of `tile` that is moved by design pixels, sub-pixel across, with wrap-free margins."""
        limit = self._spare - 2
        x = max(-limit, min(limit, across_px * self._scale))
        y = round(max(-limit, min(limit, 0.5 * down_px * self._scale)))
        whole = math.floor(x)
        part = np.float32(x - whole)
        top, left = self._spare + y, self._spare + whole
        rows = tile[top : top + self._height]
        near = rows[:, left : left + self._width]
        return np.asarray(near + part * (rows[:, left + 1 : left + 1 + self._width] - near))

    def tints(self, scene: GardenScene, channels: int) -> tuple[float, ...]:
        """Factor per colour plane: warm when the sun is low, cooler behind cloud; 1 for luma."""
        if channels == 1:
            return (1.0,)
        low = math.exp(-((max(0.0, scene.sun_height_deg) / 9.0) ** 2))
        dusk = 1.0 / (1.0 + math.exp((scene.sun_height_deg + 3.0) / 1.2))
        warm = low * scene.sun * (1.0 - dusk)
        cool = 0.5 * (1.0 - scene.sun) + 1.5 * dusk
        return 1.0 + 0.14 * warm - 0.03 * cool, 1.0 + 0.01 * warm, 1.0 - 0.13 * warm + 0.04 * cool


class Rain:
    """Streaks that are added to the picture, a few tiles of them slanted by the wind."""

    def __init__(self, rain: float, view: PixelSize, rng: np.random.Generator) -> None:
        """`rain` 0..1."""
        self._spare = (view.height // 4, view.width // 4)
        self._size = (view.height, view.width)
        self._tiles = [self._tile(rain, view, rng, slant) for slant in np.linspace(-0.5, 0.5, RAIN_TILES)]

    def _tile(self, rain: float, view: PixelSize, rng: np.random.Generator, slant: float) -> Map:
        wide, high = DESIGN_WIDTH * 5 // 4, round(view.height / view.scale) * 5 // 4
        image = Image.new("L", (wide, high), 0)
        draw = ImageDraw.Draw(image)
        for _ in range(int(420 * rain)):
            x, y, long = rng.uniform(0, wide), rng.uniform(0, high), rng.uniform(9, 34)
            level = int(rng.uniform(25, 95))
            draw.line((x, y, x + slant * long, y + long), fill=level, width=1 if rng.random() < 0.8 else 2)
        image = image.filter(ImageFilter.GaussianBlur(0.7))
        target = (self._size[1] + self._spare[1], self._size[0] + self._spare[0])
        return np.array(image.resize(target, Image.Resampling.BOX), dtype=np.float32)

    def streaks(self, scene: GardenScene, rng: np.random.Generator) -> Map:
        """What rain adds to every plane, (H, W)."""
        lean = scene.leaves_px[0] / 8.0
        tile = self._tiles[int(np.clip(round((lean + 1.0) / 2.0 * (RAIN_TILES - 1)), 0, RAIN_TILES - 1))]
        top, left = int(rng.integers(self._spare[0])), int(rng.integers(self._spare[1]))
        return tile[top : top + self._size[0], left : left + self._size[1]]


class Noise:
    """The sensor's noise, cut at random from a tile, so that no two frames share it."""

    def __init__(self, noise: float, view: PixelSize, channels: int, rng: np.random.Generator) -> None:
        """`noise` as in the settings; `channels` 3 for colour, 1 for luma."""
        shape = (view.height + NOISE_SPARE, view.width + NOISE_SPARE)
        self._size = (view.height, view.width)
        # A small picture stands for the mean of a block, luma for the weighted mean of three colours.
        averaging = min(1.0, view.scale) * (0.669 if channels == 1 else 1.0)
        self._level = noise * NOISE_LEVELS * averaging
        self._tile = rng.standard_normal(shape, dtype=np.float32)

    def cut(self, scene: GardenScene, rng: np.random.Generator) -> Map:
        """Noise for one plane, (H, W), in picture values; grows with the root of the gain."""
        top, left = (int(value) for value in rng.integers(0, NOISE_SPARE, 2))
        part = self._tile[top : top + self._size[0], left : left + self._size[1]]
        part = part[:, ::-1] if rng.random() < 0.5 else part
        return np.asarray(part * np.float32(self._level * math.sqrt(scene.gain)))
