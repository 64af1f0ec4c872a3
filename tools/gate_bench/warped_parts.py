"""Parts of a warped clip: its recipe, the picture it starts from, its wind, and who comes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from gate_bench.air import swing, wind

W, H = 320, 240
EDGE = 20  # pixels around the view, so that what moves in was there before
FIRST_VISIT_S = 125.0
FLIGHT_S = 0.5
Map = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Weather:
    """What happens in a warped clip."""

    wind: float = 0.5  # 1 = strong breeze
    gusts_per_min: float = 2.0
    bend_px: float = 3.0  # how far leaves move in a strong breeze, in a picture 320 wide
    shake_px: float = 0.0
    shadow: float = 0.0  # depth of cloud shadows that pass, 0..0.6
    dapple: float = 0.0  # depth of leaf shadows
    exposure: float = 0.0  # size of exposure steps, in stops
    rain: float = 0.0
    noise: float = 2.0  # deviation in grey levels
    dusk: bool = False  # light falls over the clip
    hanging: bool = True  # something swings like a feeder


@dataclass(frozen=True, slots=True)
class Scene:
    """One warped clip's recipe."""

    seed: int
    weather: Weather
    minutes: float
    frames_per_s: float = 5.0
    still: Path | None = None  # a photograph; None: a painted picture
    visits_per_min: float = 0.0
    sprites: tuple[Path, ...] = ()

    @property
    def count(self) -> int:
        return round(self.minutes * 60 * self.frames_per_s)


def sized(values: NDArray[Any], width: int, height: int) -> Map:
    """`values` drawn to a size with cubic interpolation."""
    out = cv2.resize(values.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(out, np.float32)


def texture(scene: Scene) -> Map:
    """Luma (H + 2 EDGE, W + 2 EDGE): a photograph without its rim, or painted noise and leaves."""
    size = (W + 2 * EDGE, H + 2 * EDGE)
    if scene.still is not None:
        with Image.open(scene.still) as picture:
            grey = np.asarray(picture.convert("L"), np.float32)
        high = len(grey)
        grey = grey[int(0.04 * high) : int(0.9 * high)]  # camera traps print a bar at the foot
        return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.float32)
    rng = np.random.default_rng(scene.seed)
    out = np.full(size[::-1], 110, np.float32)
    for cells, strength in ((5, 60), (17, 30), (60, 14)):
        out += strength * sized(rng.normal(0, 1, (cells, cells * 4 // 3)), *size)
    for _ in range(900):
        at = (int(rng.uniform(0, size[0])), int(rng.uniform(0, size[1])))
        axes = (int(rng.uniform(3, 9)), int(rng.uniform(1, 4)))
        cv2.ellipse(out, at, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(20, 220)), -1)
    return np.asarray(np.clip(cv2.GaussianBlur(out, (0, 0), 0.8), 5, 250), np.float32)


class Bend:
    """How the picture is bent over time: smooth fields (K, H, W, 2) and their swings (N, K)."""

    LIMIT_PX = 14.0

    def __init__(self, scene: Scene, rng: np.random.Generator) -> None:
        dt_s, weather, count = 1 / scene.frames_per_s, scene.weather, scene.count
        self.wind = wind(rng, count, dt_s, weather.wind, weather.gusts_per_min)
        loose = np.clip(sized(rng.normal(0, 1, (4, 5)), W, H) * 2.5 + 0.6, 0, 1)  # 0: rigid, 1: leaves
        fields, swings = [], []
        for cells in (2, 3, 4, 6, 8, 11, 15):
            coarse = rng.normal(0, 1, (cells, cells + 1, 2))
            coarse[..., 1] *= 0.5
            fields.append(sized(coarse, W, H) * loose[..., None])
            force = weather.bend_px * self.wind**2 * 0.55 * (3 / (cells + 2))
            hertz = float(rng.uniform(0.3, 0.8) * (1 + cells / 6))
            swings.append(swing(rng, force, hertz, 0.1, dt_s))
        self._fields = np.stack(fields)
        self._swings = np.stack(swings, 1).astype(np.float32)
        self._shake = np.zeros((count, 2), np.float32)
        tilt = swing(rng, weather.shake_px * self.wind**2, 2.7, 0.08, dt_s)
        nod = swing(rng, 0.5 * weather.shake_px * self.wind**2, 3.4, 0.08, dt_s)
        if weather.shake_px:
            self._shake = np.stack([tilt, nod], 1).astype(np.float32)
        self.feeder_px = swing(rng, self.wind**2 * 4.0, float(rng.uniform(0.4, 0.7)), 0.06, dt_s)

    def at(self, number: int) -> Map:
        """Displacement of every pixel, (H, W, 2)."""
        bent = np.tensordot(self._swings[number], self._fields, 1)
        return np.asarray(self.LIMIT_PX * np.tanh(bent / self.LIMIT_PX) + self._shake[number], np.float32)


class Hanging:
    """Something that hangs from a wire and swings."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.x, self.top = float(rng.uniform(90, 230)), float(rng.uniform(0, 40))
        self.long_px = float(rng.uniform(90, 150))
        tall, wide = int(rng.uniform(40, 64)), int(rng.uniform(16, 28))
        body = np.full((tall, wide), rng.uniform(40, 200))
        body += 30 * np.sin(np.linspace(0, np.pi, wide))[None, :] - 15
        body[: tall // 6] *= 0.6
        body += rng.normal(0, 18, body.shape)
        body[-tall // 8 :] *= 0.5
        self.high = tall
        self.cut = np.zeros((tall + 40, wide + 40, 2), np.float32)  # luma and alpha, with room to turn
        self.cut[20:-20, 20:-20, 0], self.cut[20:-20, 20:-20, 1] = np.clip(body, 5, 250), 255

    def foot(self, swing_px: float) -> tuple[float, float, float]:
        """(x, y) of its foot and its angle in radians, when it is pushed aside by about `swing_px`."""
        aside = 40 * float(np.tanh(swing_px / 40))
        angle = aside / self.long_px
        return self.x + aside, self.top + self.long_px * float(np.cos(angle)), angle

    def turned(self, angle: float) -> Map:
        """The cut-out turned about its foot, (h, w, 2)."""
        high, wide = self.cut.shape[:2]
        turn = cv2.getRotationMatrix2D((wide / 2, high - 20.0), float(np.degrees(angle)), 1.0)
        return np.asarray(cv2.warpAffine(self.cut, turn, (wide, high)), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Guest:
    """A visitor and its plan; times in seconds from the start of the clip."""

    cut: Map  # (h, w, 2): luma and alpha
    x: float  # foot, when not on the hanging thing
    y: float
    perched: bool
    start_s: float
    stay_s: float
    side: int
    phase: float

    @property
    def settled_s(self) -> float:
        return self.start_s + FLIGHT_S

    @property
    def leaving_s(self) -> float:
        return self.settled_s + self.stay_s


def plan_guests(scene: Scene, rng: np.random.Generator) -> list[Guest]:
    """Visitors of 16 to 64 px that stay for 5 to 40 s, on the hanging thing or anywhere."""
    out: list[Guest] = []
    at_s = FIRST_VISIT_S
    while scene.sprites and scene.visits_per_min and at_s < scene.minutes * 60 - 60:
        path = scene.sprites[int(rng.integers(len(scene.sprites)))]
        stay_s = float(rng.uniform(5, 40))
        size = float(np.exp(rng.uniform(np.log(16), np.log(64))))
        with Image.open(path) as picture:
            pixels = picture.convert("LA")
        scale = size / max(pixels.size)
        pixels = pixels.resize((max(3, round(pixels.width * scale)), max(3, round(pixels.height * scale))))
        cut = np.asarray(pixels, np.float32)
        cut = cut if rng.random() < 0.5 else cut[:, ::-1]
        x, y = float(rng.uniform(30, W - 30)), float(rng.uniform(45, H - 15))
        perched = bool(scene.weather.hanging and rng.random() < 0.4)
        side, phase = int(rng.choice([-1, 1])), float(rng.uniform(0, 6))
        out.append(Guest(cut, x, y, perched, at_s, stay_s, side, phase))
        at_s += FLIGHT_S + 1.0 + stay_s + 8 + float(rng.exponential(60 / scene.visits_per_min))
    return out
