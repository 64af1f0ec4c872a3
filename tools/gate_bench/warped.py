"""Clips made by bending a still picture in made-up wind, with visitors pasted on.

Unlike the simulated garden this has no model of leaves or feeders: the texture is a photograph's (or a
painted one), and all that the wind does is a sum of smooth fields that swing at their own frequencies.
Needs OpenCV, which the bench has and the gate has not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from dooryard.records import Box
from gate_bench.air import swing, wander, wind
from gate_bench.clip import Clip, Luma, Stay

W, H = 320, 240
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
    light: float = 1.0  # 0.15 = dusk
    dusk: bool = False  # light falls over the clip
    hanging: bool = True  # a piece of the picture swings like a feeder


@dataclass(frozen=True, slots=True)
class Scene:
    """One warped clip's recipe."""

    seed: int
    weather: Weather
    minutes: float
    frames_per_s: float = 5.0
    still: Path | None = None
    visits_per_min: float = 0.0
    sprites: tuple[Path, ...] = field(default=())


def texture(scene: Scene) -> Map:
    """The still picture, luma float32 (H + 40, W + 40): a photograph's middle, or painted noise and leaves."""
    if scene.still is not None:
        with Image.open(scene.still) as picture:
            grey = np.asarray(picture.convert("L"), np.float32)
        h, w = grey.shape
        grey = grey[int(0.04 * h) : int(0.9 * h)]
        return cv2.resize(grey, (W + 40, H + 40), interpolation=cv2.INTER_AREA).astype(np.float32)
    rng = np.random.default_rng(scene.seed)
    out = np.full((H + 40, W + 40), 110, np.float32)
    for cells, size in ((5, 60), (17, 30), (60, 14)):
        coarse = rng.normal(0, 1, (cells, cells * 4 // 3)).astype(np.float32)
        out += size * cv2.resize(coarse, (W + 40, H + 40), interpolation=cv2.INTER_CUBIC)
    for _ in range(900):
        x, y = int(rng.uniform(0, W + 40)), int(rng.uniform(0, H + 40))
        axes = (int(rng.uniform(3, 9)), int(rng.uniform(1, 4)))
        cv2.ellipse(out, (x, y), axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(20, 220)), -1)
    return np.clip(cv2.GaussianBlur(out, (0, 0), 0.8), 5, 250)


class _Bend:
    """Displacement of the picture over time: fields (K, H, W, 2) and their swings (N, K)."""

    def __init__(self, scene: Scene, count: int, rng: np.random.Generator) -> None:
        dt_s, weather = 1 / scene.frames_per_s, scene.weather
        self.wind = wind(rng, count, dt_s, weather.wind, weather.gusts_per_min)
        coarse = rng.normal(0, 1, (4, 5)).astype(np.float32)
        loose = cv2.resize(coarse, (W, H), interpolation=cv2.INTER_CUBIC)
        self.loose = np.clip(loose * 2.5 + 0.6, 0, 1)[..., None]  # 0: rigid, 1: leaves
        fields, swings = [], []
        for cells in (2, 3, 4, 6, 8, 11, 15):
            coarse = rng.normal(0, 1, (cells, cells + 1, 2)).astype(np.float32)
            coarse[..., 1] *= 0.5
            shape = cv2.resize(coarse, (W, H), interpolation=cv2.INTER_CUBIC)
            fields.append(shape * self.loose)
            force = weather.bend_px * self.wind**2 * 0.55 * (3 / (cells + 2))
            hertz = float(rng.uniform(0.3, 0.8) * (1 + cells / 6))
            swings.append(swing(rng, force, hertz, 0.1, dt_s))
        self.fields = np.stack(fields)
        self.swings = np.stack(swings, 1).astype(np.float32)
        tilt = swing(rng, weather.shake_px * self.wind**2, 2.7, 0.08, dt_s)
        nod = swing(rng, 0.5 * weather.shake_px * self.wind**2, 3.4, 0.08, dt_s)
        self.shake = np.stack([tilt, nod], 1) if weather.shake_px else np.zeros((count, 2))
        push = self.wind**2 * 4.0
        self.angle = swing(rng, push, float(rng.uniform(0.4, 0.7)), 0.06, dt_s)  # px at the feeder's foot

    def at(self, number: int) -> Map:
        field_ = np.tensordot(self.swings[number], self.fields, 1)
        limit = 14.0
        return limit * np.tanh(field_ / limit) + self.shake[number].astype(np.float32)


class Warped:
    """The frames and the truth of one `Scene`."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.count = round(scene.minutes * 60 * scene.frames_per_s)
        parts = np.random.SeedSequence(scene.seed).spawn(4)
        self.rng_wind, self.rng_light, self.rng_visits = (np.random.default_rng(part) for part in parts[:3])
        self.noise_seed = parts[3]
        self.base = texture(scene)
        self.bend = _Bend(scene, self.count, self.rng_wind)
        self._plan_light()
        self._plan_feeder()
        self.plans = self._plan_visits()
        self.ys, self.xs = np.mgrid[0:H, 0:W].astype(np.float32)

    def _plan_light(self) -> None:
        weather, rng, dt_s = self.scene.weather, self.rng_light, 1 / self.scene.frames_per_s
        self.gain = np.exp(0.05 * wander(rng, self.count, dt_s, 30.0))
        if weather.exposure:
            level = np.zeros(self.count)
            at = 0
            while at < self.count:
                at += int(rng.exponential(40.0) / dt_s) + 1
                level[at:] = rng.uniform(-1, 1) * weather.exposure
            self.gain *= 2**level
        if weather.dusk:
            self.gain *= np.linspace(1.0, 0.12, self.count)
        tile = cv2.resize(rng.random((2, 9)).astype(np.float32), (W * 7, H), interpolation=cv2.INTER_CUBIC)
        round_ = cv2.GaussianBlur(np.hstack([tile, tile, tile]), (0, 0), 40.0)  # it comes round without an edge
        self.clouds = np.clip((round_[:, 7 * W : 15 * W] - 0.5) * rng.uniform(3, 8) + 0.4, 0, 1)
        self.cloud_px = np.cumsum(2 + 10 * self.bend.wind) * dt_s * 3
        fine = cv2.resize(rng.random((24, 32)).astype(np.float32), (W, H), interpolation=cv2.INTER_CUBIC)
        self.dapples = np.clip((fine - 0.5) * 8 + 0.5, 0, 1)

    def _plan_feeder(self) -> None:
        rng = self.rng_visits
        self.feeder_x, self.feeder_top = float(rng.uniform(90, 230)), float(rng.uniform(0, 40))
        self.feeder_long = float(rng.uniform(90, 150))
        tall, wide = int(rng.uniform(40, 64)), int(rng.uniform(16, 28))
        body = np.full((tall, wide), rng.uniform(40, 200), np.float32)
        body += 30 * np.sin(np.linspace(0, np.pi, wide))[None, :] - 15
        body[: tall // 6] *= 0.6
        body += rng.normal(0, 18, body.shape)
        body[-tall // 8 :] *= 0.5
        self.feeder = np.clip(body, 5, 250)

    def _plan_visits(self) -> list[dict[str, object]]:
        scene, rng = self.scene, self.rng_visits
        plans: list[dict[str, object]] = []
        at_s = 125.0
        while scene.sprites and scene.visits_per_min and at_s < self.count / scene.frames_per_s - 60:
            sprite = str(scene.sprites[int(rng.integers(len(scene.sprites)))])
            stay_s = float(rng.uniform(5, 40))
            size = float(np.exp(rng.uniform(np.log(16), np.log(64))))
            with Image.open(sprite) as picture:
                pixels = picture.convert("LA")
                scale = size / max(pixels.size)
                pixels = pixels.resize((max(3, round(pixels.width * scale)), max(3, round(pixels.height * scale))))
            cut = np.asarray(pixels, np.float32)
            plans.append(
                {
                    "cut": cut if rng.random() < 0.5 else cut[:, ::-1],
                    "size": float(max(cut.shape[:2])),
                    "x": float(rng.uniform(30, W - 30)),
                    "y": float(rng.uniform(45, H - 15)),
                    "perched": bool(scene.weather.hanging and rng.random() < 0.4),
                    "start_s": at_s,
                    "settled_s": at_s + 0.5,
                    "leaving_s": at_s + 0.5 + stay_s,
                    "side": int(rng.choice([-1, 1])),
                    "phase": float(rng.uniform(0, 6)),
                }
            )
            at_s += 1.5 + stay_s + 8 + float(rng.exponential(60 / scene.visits_per_min))
        return plans

    def _foot(self, number: int) -> tuple[float, float, float]:
        """Where the feeder's foot is, and its angle in radians."""
        swing_px = 40 * np.tanh(float(self.bend.angle[number]) / 40)
        angle = swing_px / self.feeder_long
        return self.feeder_x + swing_px, self.feeder_top + self.feeder_long * np.cos(angle), angle

    def _visitor(self, plan: dict[str, object], number: int) -> tuple[float, float] | None:
        """The visitor's foot point at this frame; None when it is not in the picture."""
        time_s = number / self.scene.frames_per_s
        start, settled, leaving = (float(plan[k]) for k in ("start_s", "settled_s", "leaving_s"))  # type: ignore[arg-type]
        if not start <= time_s < leaving + 0.5:
            return None
        x, y = float(plan["x"]), float(plan["y"])  # type: ignore[arg-type]
        if plan["perched"]:
            foot_x, foot_y, _ = self._foot(number)
            x, y = foot_x + 6 * int(plan["side"]), foot_y - 6  # type: ignore[call-overload]
        else:
            moved = self.bend.at(number)[min(H - 1, int(y)), min(W - 1, int(x))]
            x, y = x - float(moved[0]), y - float(moved[1])
        out_x = -40.0 if int(plan["side"]) < 0 else W + 40.0  # type: ignore[call-overload]
        if time_s < settled:
            part = (time_s - start) / (settled - start)
            return out_x + (x - out_x) * part, y - 40 * (1 - part)
        if time_s >= leaving:
            part = (time_s - leaving) / 0.5
            return x + (out_x - x) * part, y - 40 * part
        beat = np.sin(2.1 * time_s + float(plan["phase"]))  # type: ignore[arg-type]
        return x, y + (2.0 * beat if beat > 0.6 else 0.0)

    def _paste(self, out: Map, cut: Map, x: float, y: float) -> tuple[float, float, float, float] | None:
        """Lay `cut` (h, w, luma and alpha) with its foot at (x, y); returns the box inside the picture."""
        h, w = cut.shape[:2]
        x0, y0 = x - w / 2, y - h
        left, top = int(np.floor(x0)), int(np.floor(y0))
        move = np.array([[1, 0, x0 - left], [0, 1, y0 - top]], np.float32)
        cut = cv2.warpAffine(cut, move, (w + 1, h + 1))
        a, b, c, d = max(0, left), max(0, top), min(W, left + w + 1), min(H, top + h + 1)
        if a >= c or b >= d:
            return None
        part = cut[b - top : d - top, a - left : c - left]
        alpha = part[..., 1] / 255
        out[b:d, a:c] += alpha * (part[..., 0] - out[b:d, a:c])
        return a / W, b / H, c / W, d / H

    def frame(self, number: int, rng: np.random.Generator, bank: list[Map]) -> Luma:
        weather = self.scene.weather
        moved = self.bend.at(number)
        out = cv2.remap(
            self.base, self.xs + 20 + moved[..., 0], self.ys + 20 + moved[..., 1], cv2.INTER_LINEAR
        )
        if weather.hanging:
            x, y, angle = self._foot(number)
            h, w = self.feeder.shape
            top = (self.feeder_x, self.feeder_top)
            cv2.line(out, tuple(map(int, top)), (int(x), int(y - h)), 40.0, 1)
            turn = cv2.getRotationMatrix2D((20 + w / 2, 20 + h), -np.degrees(angle) * -1, 1.0)
            cut = np.zeros((h + 40, w + 40, 2), np.float32)
            cut[20:-20, 20:-20, 0], cut[20:-20, 20:-20, 1] = self.feeder, 255
            self._paste(out, cv2.warpAffine(cut, turn, (w + 40, h + 40)), x, y + 20)
        for plan in self.plans:
            foot = self._visitor(plan, number)
            if foot is not None:
                self._paste(out, plan["cut"], *foot)  # type: ignore[arg-type]
        light = np.float32(self.gain[number] * weather.light)
        if weather.shadow:
            at = int(self.cloud_px[number]) % (W * 7)
            out = out * (1 - weather.shadow * self.clouds[:, at : at + W])
        if weather.dapple:
            shade = cv2.remap(
                self.dapples, self.xs + 2.5 * moved[..., 0], self.ys + 2.5 * moved[..., 1], cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REFLECT,
            )
            out = out * (1 - weather.dapple * shade)
        out = out * light
        if weather.rain:
            self._rain(out, rng, number)
        field_ = bank[int(rng.integers(len(bank)))]
        dy, dx = rng.integers(0, 64, 2)
        out = out + weather.noise * (1.6 - 0.6 * min(1.0, float(light))) * field_[dy : dy + H, dx : dx + W]
        return np.clip(out, 0, 255).astype(np.uint8)

    def _rain(self, out: Map, rng: np.random.Generator, number: int) -> None:
        drops = np.zeros((H, W), np.float32)
        slant = 0.3 * float(self.bend.wind[number])
        for _ in range(int(70 * self.scene.weather.rain)):
            x, y, length = rng.uniform(0, W), rng.uniform(-10, H), rng.uniform(5, 18)
            cv2.line(drops, (int(x), int(y)), (int(x + slant * length), int(y + length)), float(rng.uniform(15, 60)), 1)
        out += cv2.GaussianBlur(drops, (0, 0), 0.6)

    def frames(self) -> Iterator[Luma]:
        rng = np.random.default_rng(self.noise_seed)
        bank = [rng.standard_normal((H + 64, W + 64)).astype(np.float32) for _ in range(4)]
        for number in range(self.count):
            yield self.frame(number, rng, bank)

    def stays(self) -> tuple[Stay, ...]:
        rate, out = self.scene.frames_per_s, []
        for plan in self.plans:
            start, settled, leaving = (float(plan[k]) for k in ("start_s", "settled_s", "leaving_s"))  # type: ignore[arg-type]
            boxes = {}
            h, w = plan["cut"].shape[:2]  # type: ignore[attr-defined]
            for number in range(int(start * rate), min(self.count, int((leaving + 0.5) * rate) + 1)):
                foot = self._visitor(plan, number)
                if foot is None:
                    continue
                x0, x1 = max(0.0, foot[0] - w / 2) / W, min(W, foot[0] + w / 2) / W
                y0, y1 = max(0.0, foot[1] - h) / H, min(H, foot[1]) / H
                if x0 < x1 and y0 < y1:
                    boxes[number] = Box(x0, y0, x1, y1)
            out.append(Stay(start, settled, leaving, leaving + 0.5, float(plan["size"]), boxes))  # type: ignore[arg-type]
        return tuple(out)


def warped_clip(name: str, family: str, wind_class: str, scene: Scene) -> Clip:
    """A clip by `scene`; it is drawn anew each time it is read."""
    made = Warped(scene)
    return Clip(name, family, wind_class, scene.frames_per_s, made.count, made.frames, made.stays())
