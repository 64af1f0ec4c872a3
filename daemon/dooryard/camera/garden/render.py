"""From the plan to pictures. A frame is drawn by itself: any number, in any order, the same pixels."""

from __future__ import annotations

import math

import numpy as np
from PIL import Image, ImageDraw

from dooryard.camera.garden.bend import LeafField
from dooryard.camera.garden.brush import blurred
from dooryard.camera.garden.layers import (
    BentLayer,
    Patch,
    Planes,
    image_planes,
    lay_over,
    luma_image,
    place,
    premultiplied,
    smeared,
)
from dooryard.camera.garden.light import Light, Map, Noise, Rain
from dooryard.camera.garden.paint_feeder import paint_feeder, paint_front, paint_support
from dooryard.camera.garden.paint_garden import MARGIN, paint_background
from dooryard.camera.garden.plan import GardenPlan, GardenScene
from dooryard.camera.garden.poses import Pose
from dooryard.camera.garden.settings import DESIGN_WIDTH, PixelSize
from dooryard.camera.garden.sprites import load_sprite
from dooryard.camera.garden.visits import PlannedVisit
from dooryard.core.records import Luma, Rgb

SHOULDER = 208.0  # picture values above this rise half as fast, as a camera's tone curve does
FRONT_YIELD = 1.7  # leaves near the camera move this much further
GROUND_SHADOW = 105  # opacity of the shadow under an animal in full sun, of 255


class Painter:
    """Draws the frames of one plan, in colour or in luma only."""

    def __init__(self, plan: GardenPlan, *, colour: bool, size: tuple[int, int] | None = None) -> None:
        """Paint the garden's layers once; takes a few tenths of a second.

        `size` is (width, height), the settings' own if None; it must have their aspect ratio.
        """
        self.plan = plan
        self.channels = 3 if colour else 1
        settings = plan.settings
        self._view = view = settings.view if size is None else PixelSize(*size)
        if view.width * settings.height != view.height * settings.width or view.width % 2 or view.height % 2:
            raise ValueError(f"size {size} must be even and in the ratio of the settings' width and height")
        self._shape = (view.height, view.width)
        self._scale = view.scale
        self._margin = max(4, math.ceil(MARGIN * self._scale))
        self._paint_layers()
        self._light = Light(settings, view, plan.layout.horizon, plan.generator(1))
        self._rain = Rain(settings.rain, view, plan.generator(2)) if settings.rain > 0.0 else None
        self._noise = Noise(settings.noise, view, self.channels, plan.generator(3))
        self._sprites: dict[tuple[str, int], Image.Image] = {}
        self._planes = np.empty((self.channels, *self._shape), np.uint8)
        self._factors = np.empty(self._shape, np.float32)
        self._values = np.empty(self._shape, np.float32)
        self._knee = np.empty(self._shape, np.float32)

    def rgb(self, scene: GardenScene) -> Rgb:
        """The picture, uint8 (height, width, 3). Only for a painter in colour."""
        if self.channels != 3:
            raise ValueError("this painter draws luma only")
        out = np.empty((*self._shape, 3), np.uint8)
        self._expose(scene, self._drawn(scene), out.transpose(2, 0, 1))
        return out

    def luma(self, scene: GardenScene) -> Luma:
        """The picture's luma, uint8 (height, width). Only for a painter in luma."""
        if self.channels != 1:
            raise ValueError("this painter draws colour")
        out = np.empty(self._shape, np.uint8)
        self._expose(scene, self._drawn(scene), out[None])
        return out

    def _paint_layers(self) -> None:
        plan, layout, height = self.plan, self.plan.layout, self.plan.settings.design_height
        background = paint_background(layout, height, plan.generator(0, 0))
        front = paint_front(layout, height, plan.settings.foliage, plan.generator(0, 1))
        self._back = BentLayer(self._fitted(background.image), self._margin, (0, 0, *self._shape[::-1]))
        self._field = LeafField(background.yields, MARGIN, self._shape, self._scale, plan.generator(0, 2))
        self._front_area = self._occupied(front)
        left, top, right, bottom = self._front_area
        self._front = None
        if right > left and bottom > top:
            self._front = BentLayer(self._fitted(front), self._margin, self._front_area)
            self._front_planes = np.empty((self.channels + 1, bottom - top, right - left), np.uint8)
        self._support = self._cropped(self._fitted(paint_support(layout, height)))
        self._feeder = None
        if layout.has_feeder:
            hanging = paint_feeder(layout, plan.generator(0, 3))
            self._feeder = self._prepared(hanging.image)
            self._feeder_pivot = (hanging.pivot[0] * self._scale, hanging.pivot[1] * self._scale)

    def _prepared(self, image: Image.Image) -> Image.Image:
        """An RGBA image in design pixels, at this painter's size, in its colours, premultiplied."""
        size = (max(1, round(image.width * self._scale)), max(1, round(image.height * self._scale)))
        image = image.resize(size, Image.Resampling.BOX) if size != image.size else image
        return premultiplied(image if self.channels == 3 else luma_image(image))

    def _fitted(self, image: Image.Image) -> Image.Image:
        """An image with MARGIN design pixels around the view, with this painter's size and margin."""
        settings = self.plan.settings
        edge = self._margin / self._scale
        box = (
            MARGIN - edge,
            MARGIN - edge,
            MARGIN + DESIGN_WIDTH + edge,
            MARGIN + settings.design_height + edge,
        )
        size = (self._view.width + 2 * self._margin, self._view.height + 2 * self._margin)
        inside = (max(0.0, box[0]), max(0.0, box[1]), min(image.width, box[2]), min(image.height, box[3]))
        if size != image.size:
            image = image.resize(size, Image.Resampling.BOX, box=inside)
        return image if self.channels == 3 else luma_image(image)

    def _occupied(self, image: Image.Image) -> tuple[int, int, int, int]:
        """Where a front layer may show something, in view pixels, even numbers; may be empty."""
        found = image.getchannel("A").getbbox()
        if found is None:
            return 0, 0, 0, 0
        reach = 20  # design pixels that it may move
        left, top, right, bottom = (edge * self._scale for edge in found)
        spare, margin = reach * self._scale, MARGIN * self._scale
        return (
            max(0, int(left - margin - spare) // 2 * 2),
            max(0, int(top - margin - spare) // 2 * 2),
            min(self._shape[1], math.ceil((right - margin + spare) / 2) * 2),
            min(self._shape[0], math.ceil((bottom - margin + spare) / 2) * 2),
        )

    def _cropped(self, image: Image.Image) -> tuple[Image.Image, tuple[int, int]] | None:
        """The part of a still layer that shows something, and its place in view pixels."""
        found = image.getchannel("A").getbbox()
        if found is None:
            return None
        corner = (found[0] - self._margin, found[1] - self._margin)
        return premultiplied(image.crop(found)), corner

    def _drawn(self, scene: GardenScene) -> Planes:
        """The garden in even light, without noise."""
        shake_x, shake_y = scene.shake_px[0] * self._scale, scene.shake_px[1] * self._scale
        across, down = self._field.bend(scene.leaves_px)
        self._back.draw(across - np.float32(shake_x), down - np.float32(shake_y), self._planes)
        near_y = self.plan.layout.pole_foot_y(self.plan.settings.design_height)
        # From far to near: visitors behind the pole, pole and feeder, who sits on it, visitors before it.
        for visit, pose in scene.poses:
            if not visit.on_feeder and visit.ground_y < near_y:
                self._lay_visitor(scene, visit, pose)
        self._lay_feeder(scene, shake_x, shake_y)
        for visit, pose in scene.poses:
            if visit.on_feeder or visit.ground_y >= near_y:
                self._lay_visitor(scene, visit, pose)
        self._lay_front(scene, shake_x, shake_y)
        return self._planes

    def _lay_feeder(self, scene: GardenScene, shake_x: float, shake_y: float) -> None:
        """The pole, and the feeder that hangs from it."""
        if self._support is not None:
            image, corner = self._support
            lay_over(self._planes, place(image, (0, 0), (corner[0] + shake_x, corner[1] + shake_y)))
        if self._feeder is not None:
            pivot = self.plan.layout.pivot
            at = (pivot[0] * self._scale + shake_x, pivot[1] * self._scale + shake_y)
            lay_over(
                self._planes, place(self._feeder, self._feeder_pivot, at, math.degrees(scene.feeder_rad))
            )

    def _lay_front(self, scene: GardenScene, shake_x: float, shake_y: float) -> None:
        if self._front is None:
            return
        left, top, right, bottom = self._front_area
        part = (slice(top // 2, bottom // 2), slice(left // 2, right // 2))
        across, down = self._field.free_bend(scene.leaves_px, part)
        self._front.draw(
            FRONT_YIELD * across - np.float32(shake_x),
            FRONT_YIELD * down - np.float32(shake_y),
            self._front_planes,
        )
        lay_over(self._planes, Patch(self._front_planes, left, top))

    def _lay_visitor(self, scene: GardenScene, visit: PlannedVisit, pose: Pose) -> None:
        sprite = load_sprite(visit.species)
        key = (visit.species, pose.facing)
        if key not in self._sprites:
            image = sprite.image
            image = image if pose.facing > 0 else image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
            self._sprites[key] = self._prepared(image)
        image = self._sprites[key]
        foot_x = sprite.foot[0] if pose.facing > 0 else sprite.image.width - sprite.foot[0]
        ratio = (image.width / sprite.image.width, image.height / sprite.image.height)
        foot = (foot_x * ratio[0], sprite.foot[1] * ratio[1])
        at = ((pose.x + scene.shake_px[0]) * self._scale, (pose.y + scene.shake_px[1]) * self._scale)
        if not (visit.on_feeder or (visit.kind.flies and abs(pose.speed[1]) > 0.0)):
            self._lay_shadow(scene, visit, at[0], (visit.ground_y + scene.shake_px[1]) * self._scale)
        patch = place(image, foot, at, pose.tilt_deg, pose.stretch)
        open_s = scene.exposure_s * self._scale
        lay_over(self._planes, smeared(patch, pose.speed[0] * open_s, pose.speed[1] * open_s))

    def _lay_shadow(self, scene: GardenScene, visit: PlannedVisit, x: float, y: float) -> None:
        sprite = load_sprite(visit.species)
        wide = int(sprite.image.width * 0.8 * self._scale)
        high = max(6, int(0.17 * wide))
        opacity = Image.new("L", (wide + high, 2 * high), 0)
        strength = int(GROUND_SHADOW * (0.45 + 0.55 * scene.sun))
        box = (high / 2, high / 2, wide + high / 2, 1.5 * high)
        ImageDraw.Draw(opacity).ellipse(box, fill=strength)
        alpha = image_planes(blurred(opacity, high * 0.28))
        planes = np.concatenate([np.zeros((self.channels, *alpha.shape[1:]), np.uint8), alpha])
        lay_over(self._planes, Patch(planes, round(x - opacity.width / 2), round(y - high * 1.05)))

    def _expose(self, scene: GardenScene, planes: Planes, out: Planes) -> None:
        """Light, rain, noise and the tone curve; writes `out` (C, H, W), whatever its strides."""
        rng = self.plan.generator(9, scene.number)
        half = self._light.factors(scene)
        for y in (0, 1):
            for x in (0, 1):
                self._factors[y::2, x::2] = half
        streaks: Map | None = self._rain.streaks(scene, rng) if self._rain is not None else None
        values, knee = self._values, self._knee
        for plane, tint, target in zip(planes, self._light.tints(scene, self.channels), out, strict=True):
            np.multiply(plane, self._factors, out=values)
            if tint != 1.0:
                np.multiply(values, np.float32(tint), out=values)
            if streaks is not None:
                np.add(values, streaks, out=values)
            if self.plan.settings.noise > 0.0:
                np.add(values, self._noise.cut(scene, rng), out=values)
            np.multiply(values, np.float32(0.5), out=knee)
            np.add(knee, np.float32(SHOULDER / 2.0 + 0.5), out=knee)
            np.add(values, np.float32(0.5), out=values)
            np.minimum(values, knee, out=values)
            np.clip(values, 0.0, 255.0, out=values)
            target[...] = values
