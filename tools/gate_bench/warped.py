"""Clips made by bending a still picture in made-up wind, with visitors pasted on.

Unlike the simulated garden this has no model of leaves or feeders: the texture is a photograph's (or a
painted one), and all that the wind does is a sum of smooth fields that swing at their own frequencies.
Needs OpenCV, which the bench has and the gate has not.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from dooryard.core.records import Box
from gate_bench.air import wander
from gate_bench.clip import Clip, Luma, Stay
from gate_bench.warped_parts import (
    EDGE,
    FLIGHT_S,
    Bend,
    Guest,
    H,
    Hanging,
    Map,
    Scene,
    W,
    plan_guests,
    sized,
    texture,
)

NOISE_SPARE = 64


class Warped:
    """The frames and the truth of one `Scene`."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        for_wind, for_light, for_visits, self._noise_seed = np.random.SeedSequence(scene.seed).spawn(4)
        self._base = texture(scene)
        self._bend = Bend(scene, np.random.default_rng(for_wind))
        self._plan_light(np.random.default_rng(for_light))
        rng = np.random.default_rng(for_visits)
        self._hanging = Hanging(rng)
        self._guests = plan_guests(scene, rng)
        self._ys, self._xs = np.mgrid[0:H, 0:W].astype(np.float32)

    def _plan_light(self, rng: np.random.Generator) -> None:
        weather, dt_s, count = self.scene.weather, 1 / self.scene.frames_per_s, self.scene.count
        self._light = np.exp(0.05 * wander(rng, count, dt_s, 30.0))
        if weather.exposure:
            level, at = np.zeros(count), 0
            while at < count:
                at += int(rng.exponential(40.0) / dt_s) + 1
                level[at:] = rng.uniform(-1, 1) * weather.exposure
            self._light *= 2**level
        if weather.dusk:
            self._light *= np.linspace(1.0, 0.12, count)
        tile = sized(rng.random((2, 9)), W * 7, H)
        ring = cv2.GaussianBlur(np.hstack([tile, tile, tile]), (0, 0), 40.0)  # comes round without an edge
        self._clouds = np.clip((ring[:, 7 * W : 15 * W] - 0.5) * rng.uniform(3, 8) + 0.4, 0, 1)
        self._cloud_px = np.cumsum(2 + 10 * self._bend.wind) * dt_s * 3
        self._dapples = np.clip((sized(rng.random((24, 32)), W, H) - 0.5) * 8 + 0.5, 0, 1)

    def _place(self, guest: Guest, number: int) -> tuple[float, float] | None:
        """The visitor's foot at this frame; None when it is not in the picture."""
        time_s = number / self.scene.frames_per_s
        if not guest.start_s <= time_s < guest.leaving_s + FLIGHT_S:
            return None
        if guest.perched:
            foot_x, foot_y, _ = self._hanging.foot(float(self._bend.feeder_px[number]))
            x, y = foot_x + 6 * guest.side, foot_y - 6
        else:
            moved = self._bend.at(number)[min(H - 1, int(guest.y)), min(W - 1, int(guest.x))]
            x, y = guest.x - float(moved[0]), guest.y - float(moved[1])
        outside = -40.0 if guest.side < 0 else W + 40.0
        away = max((guest.settled_s - time_s) / FLIGHT_S, (time_s - guest.leaving_s) / FLIGHT_S, 0.0)
        if away > 0:
            return x + (outside - x) * away, y - 40 * away
        beat = float(np.sin(2.1 * time_s + guest.phase))
        return x, y + (2.0 * beat if beat > 0.6 else 0.0)

    def _frame(self, number: int, rng: np.random.Generator, bank: list[Map]) -> Luma:
        weather, moved = self.scene.weather, self._bend.at(number)
        across, down = self._xs + EDGE + moved[..., 0], self._ys + EDGE + moved[..., 1]
        out = np.asarray(cv2.remap(self._base, across, down, cv2.INTER_LINEAR), np.float32)
        if weather.hanging:
            x, y, angle = self._hanging.foot(float(self._bend.feeder_px[number]))
            hook = (int(self._hanging.x), int(self._hanging.top))
            cv2.line(out, hook, (int(x), int(y - self._hanging.high)), (40.0,), 1)
            paste(out, self._hanging.turned(angle), x, y + 20)
        for guest in self._guests:
            place = self._place(guest, number)
            if place is not None:
                paste(out, guest.cut, *place)
        out = self._lit(out, number, moved)
        if weather.rain:
            self._rain_on(out, rng, number)
        tile = bank[int(rng.integers(len(bank)))]
        y0, x0 = rng.integers(0, NOISE_SPARE, 2)
        strength = weather.noise * (1.6 - 0.6 * min(1.0, float(self._light[number])))
        return np.clip(out + strength * tile[y0 : y0 + H, x0 : x0 + W], 0, 255).astype(np.uint8)

    def _lit(self, out: Map, number: int, moved: Map) -> Map:
        weather = self.scene.weather
        if weather.shadow:
            at = int(self._cloud_px[number]) % (W * 7)
            out = out * (1 - weather.shadow * self._clouds[:, at : at + W])
        if weather.dapple:
            across, down = self._xs + 2.5 * moved[..., 0], self._ys + 2.5 * moved[..., 1]
            shade = cv2.remap(self._dapples, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
            out = out * (1 - weather.dapple * shade)
        return np.asarray(out * np.float32(self._light[number]), np.float32)

    def _rain_on(self, out: Map, rng: np.random.Generator, number: int) -> None:
        drops = np.zeros((H, W), np.float32)
        slant = 0.3 * float(self._bend.wind[number])
        for _ in range(int(70 * self.scene.weather.rain)):
            x, y, length = rng.uniform(0, W), rng.uniform(-10, H), rng.uniform(5, 18)
            end = (int(x + slant * length), int(y + length))
            cv2.line(drops, (int(x), int(y)), end, (float(rng.uniform(15, 60)),), 1)
        out += cv2.GaussianBlur(drops, (0, 0), 0.6)

    def frames(self) -> Iterator[Luma]:
        """Every frame again, the same each time."""
        rng = np.random.default_rng(self._noise_seed)
        size = (H + NOISE_SPARE, W + NOISE_SPARE)
        bank = [rng.standard_normal(size).astype(np.float32) for _ in range(4)]
        for number in range(self.scene.count):
            yield self._frame(number, rng, bank)

    def stays(self) -> tuple[Stay, ...]:
        """The truth."""
        return tuple(self._stay(guest) for guest in self._guests)

    def _stay(self, guest: Guest) -> Stay:
        rate, boxes = self.scene.frames_per_s, {}
        end_s = guest.leaving_s + FLIGHT_S
        high, wide = guest.cut.shape[:2]
        for number in range(int(guest.start_s * rate), min(self.scene.count, int(end_s * rate) + 1)):
            place = self._place(guest, number)
            if place is None:
                continue
            x0, x1 = max(0.0, place[0] - wide / 2) / W, min(W, place[0] + wide / 2) / W
            y0, y1 = max(0.0, place[1] - high) / H, min(H, place[1]) / H
            if x0 < x1 and y0 < y1:
                boxes[number] = Box(x0, y0, x1, y1)
        return Stay(guest.start_s, guest.settled_s, guest.leaving_s, end_s, float(max(high, wide)), boxes)


def paste(out: Map, cut: Map, x: float, y: float) -> None:
    """Lay `cut` (h, w, luma and alpha) on `out` with the middle of its foot at (x, y)."""
    high, wide = cut.shape[:2]
    left, top = int(np.floor(x - wide / 2)), int(np.floor(y - high))
    move = np.array([[1, 0, x - wide / 2 - left], [0, 1, y - high - top]], np.float32)
    moved = np.asarray(cv2.warpAffine(cut, move, (wide + 1, high + 1)), np.float32)
    x0, y0, x1, y1 = max(0, left), max(0, top), min(W, left + wide + 1), min(H, top + high + 1)
    if x0 >= x1 or y0 >= y1:
        return
    part = moved[y0 - top : y1 - top, x0 - left : x1 - left]
    out[y0:y1, x0:x1] += part[..., 1] / 255 * (part[..., 0] - out[y0:y1, x0:x1])


def warped_clip(name: str, family: str, wind_class: str, scene: Scene) -> Clip:
    """A clip by `scene`; it is drawn again each time it is read."""
    made = Warped(scene)
    return Clip(name, family, wind_class, scene.frames_per_s, scene.count, made.frames, made.stays())
