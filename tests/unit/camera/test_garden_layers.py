"""Bending, placing and laying over, against Pillow and arithmetic."""

from __future__ import annotations

import hashlib
import re
from importlib import resources

import numpy as np
import pytest
from PIL import Image

from dooryard.camera.garden.layers import (
    BentLayer,
    Patch,
    image_planes,
    lay_over,
    luma_image,
    place,
    premultiplied,
    smeared,
)
from dooryard.camera.garden.species import SPECIES
from dooryard.camera.garden.sprites import load_sprite, placed_points
from dooryard.core.errors import CameraError

MARGIN = 8
MEDIA = resources.files("dooryard.camera.garden") / "media"


@pytest.fixture
def painting() -> Image.Image:
    pixels = np.random.default_rng(1).integers(0, 256, (48 + 2 * MARGIN, 64 + 2 * MARGIN, 3), np.uint8)
    return Image.fromarray(pixels)


def bent(layer: BentLayer, across: float, down: float, size: tuple[int, int] = (64, 48)) -> np.ndarray:
    out = np.empty((3, size[1], size[0]), np.uint8)
    half = (size[1] // 2, size[0] // 2)
    layer.draw(np.full(half, across, np.float32), np.full(half, down, np.float32), out)
    return out.transpose(1, 2, 0)


def test_an_unbent_layer_is_the_painting(painting):
    layer = BentLayer(painting, MARGIN, (0, 0, 64, 48))
    assert np.array_equal(bent(layer, 0, 0), np.asarray(painting)[MARGIN:-MARGIN, MARGIN:-MARGIN])


@pytest.mark.parametrize(("across", "down"), [(3, 0), (-4, 2), (0, -5), (6, 6)])
def test_whole_pixels_are_a_plain_shift(painting, across, down):
    layer = BentLayer(painting, MARGIN, (0, 0, 64, 48))
    x, y = MARGIN + across, MARGIN + down
    assert np.array_equal(bent(layer, across, down), np.asarray(painting)[y : y + 48, x : x + 64])


def test_a_part_of_the_view_bends_like_the_whole(painting):
    whole = BentLayer(painting, MARGIN, (0, 0, 64, 48))
    part = BentLayer(painting, MARGIN, (16, 8, 48, 40))
    assert np.array_equal(bent(part, 2.25, -1.5, (32, 32)), bent(whole, 2.25, -1.5)[8:40, 16:48])


@pytest.mark.parametrize("across", [-1.75, -0.25, 0.5, 2.25])
def test_parts_of_a_pixel_lie_between(across):
    ramp = np.tile(np.arange(64 + 2 * MARGIN, dtype=np.uint8)[None, :, None] * 3, (48 + 2 * MARGIN, 1, 3))
    layer = BentLayer(Image.fromarray(ramp), MARGIN, (0, 0, 64, 48))
    expected = (np.arange(64) + MARGIN + across) * 3
    assert bent(layer, across, 0)[20, :, 0] == pytest.approx(expected, abs=1.0)


def test_far_displacements_are_held_within_the_margin(painting):
    layer = BentLayer(painting, MARGIN, (0, 0, 64, 48))
    assert np.array_equal(bent(layer, 99, 0), bent(layer, MARGIN - 2, 0))


def test_laying_over_is_pillow_s_alpha_composite():
    """Reference: Pillow's Image.alpha_composite (Porter & Duff 1984, "over")."""
    rng = np.random.default_rng(2)
    below = Image.fromarray(rng.integers(0, 256, (40, 50, 3), np.uint8))
    above = Image.fromarray(rng.integers(0, 256, (20, 30, 4), np.uint8))
    planes = image_planes(below)
    lay_over(planes, Patch(image_planes(premultiplied(above)), 35, -4))
    expected = below.convert("RGBA")
    expected.alpha_composite(above.crop((0, 4, 15, 20)), (35, 0))
    got, wanted = planes.transpose(1, 2, 0).astype(int), np.asarray(expected.convert("RGB")).astype(int)
    assert np.abs(got - wanted).max() <= 2


def test_a_patch_outside_changes_nothing():
    planes = np.full((3, 10, 10), 7, np.uint8)
    lay_over(planes, Patch(np.full((4, 5, 5), 200, np.uint8), 40, 3))
    assert (planes == 7).all()


@pytest.mark.parametrize("tilt_deg", [-33.0, 0.0, 18.0])
@pytest.mark.parametrize("stretch", [(1.0, 1.0), (1.1, 0.8)])
def test_a_placed_picture_lies_where_its_outline_says(tilt_deg, stretch):
    sprite = load_sprite("crow")
    patch = place(premultiplied(sprite.image), sprite.foot, (200.3, 150.7), tilt_deg, stretch)
    solid = patch.planes[3] > 96
    rows, columns = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
    points = placed_points(sprite.outline, facing=1, tilt_deg=tilt_deg, stretch=stretch)
    points += np.array([200.3, 150.7])
    drawn = [columns[0] + patch.left, rows[0] + patch.top, columns[-1] + patch.left, rows[-1] + patch.top]
    assert drawn == pytest.approx([*points.min(axis=0), *points.max(axis=0)], abs=2.5)


def test_a_smear_keeps_the_sum_and_widens_along_the_way():
    patch = Patch(np.zeros((2, 9, 9), np.uint8), 0, 0)
    patch.planes[:, 4, 4] = 240
    moved = smeared(patch, 6.0, 0.0)
    assert int(moved.planes[1].sum()) == pytest.approx(240, abs=8)
    assert np.count_nonzero(moved.planes[1].any(axis=0)) >= 6
    assert np.count_nonzero(moved.planes[1].any(axis=1)) == 1
    assert smeared(patch, 0.4, 0.2) is patch


def test_luma_of_the_primaries():
    """ITU-R BT.601-7, section 2.5.1: 0.299, 0.587, 0.114."""
    bars = Image.fromarray(np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]]], np.uint8))
    assert np.asarray(luma_image(bars)).tolist() == [[76, 150, 29, 255]]


@pytest.mark.parametrize("name", SPECIES)
def test_every_species_has_a_picture_large_enough(name):
    sprite = load_sprite(name)
    length = SPECIES[name].length_px
    assert length >= 50
    across = sprite.outline[:, 0]
    assert across.max() - across.min() > 0.4 * length
    assert sprite.outline[:, 1].min() < -0.35 * length
    assert abs(sprite.outline[:, 1].max()) < 1.0


def test_a_missing_picture_is_an_error_with_a_remedy(monkeypatch):
    monkeypatch.setitem(
        SPECIES, "wren", SPECIES["crow"].__class__("wren", "bird", "wren.png", True, 90, 0.01, True)
    )
    with pytest.raises(CameraError, match=r"wren\.png cannot be read.*\n.*scene_media"):
        load_sprite("wren")


def test_the_media_are_those_of_the_notice_and_small():
    notice = (MEDIA / "NOTICE.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| `([^`]+\.png)` \| `([0-9a-f]{16})` \|", notice, flags=re.MULTILINE))
    pictures = {entry.name: entry.read_bytes() for entry in MEDIA.iterdir() if entry.name.endswith(".png")}
    assert {name: hashlib.sha256(data).hexdigest()[:16] for name, data in pictures.items()} == rows
    assert {kind.file for kind in SPECIES.values()} == set(rows)
    assert sum(len(data) for data in pictures.values()) < 500_000
    assert "not part of the program" in " ".join(notice.split())
    assert "GNU GENERAL PUBLIC LICENSE" in (MEDIA / "GPL-2.txt").read_text(encoding="utf-8")
