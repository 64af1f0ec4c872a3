"""What is blacked out can't be told from any picture: two views that differ there alone give the same frames.

That law needs no source: it is what "nobody is to see it" means (non-interference; Goguen and Meseguer,
"Security policies and security models", 1982, from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from PIL import Image

from dooryard.box.file import parse_box
from dooryard.camera.base import OpensInSteps
from dooryard.camera.blackout import WHOLE, behind, blacked_out, outward, within
from dooryard.camera.fake import FakeCamera
from dooryard.camera.luma import small_luma
from dooryard.camera.picamera import PicameraCamera
from dooryard.camera.picamera_options import PicameraOptions, Shown, controls, part_used
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError
from dooryard.core.records import Box, Exposure, Frame
from dooryard.rehearse import sources
from dooryard.service import build
from fakes.picamera2_fake import Board, plug_in

VIEW = (240, 180)  # pixels of the whole view, 4:3
PARTS = st.builds(
    lambda x, y, w, h: Box(x, y, min(1.0, x + w), min(1.0, y + h)),
    st.floats(0, 0.98),
    st.floats(0, 0.98),
    st.floats(0.004, 0.6),
    st.floats(0.004, 0.6),
)
SIZES = st.tuples(st.integers(8, 60), st.integers(6, 45))


def views(seed, parts, size=VIEW):
    """Two whole views of random pixels that differ in every pixel that `parts` touch, and nowhere else."""
    random = np.random.default_rng(seed)
    width, height = size
    first = random.integers(0, 256, (height, width, 3), np.uint8)
    second = first.copy()
    for part in parts:
        rows = slice(math.floor(part.y0 * height), math.ceil(part.y1 * height))
        columns = slice(math.floor(part.x0 * width), math.ceil(part.x1 * width))
        second[rows, columns] = 255 - first[rows, columns]
    return first, second


def frames(camera):
    camera.open()
    frame = camera.read(1.0)
    pictures = frame.luma, frame.large()
    camera.close()
    return pictures


@given(st.integers(0, 2**32), st.lists(PARTS, min_size=1, max_size=4), SIZES)
def test_nothing_inside_shows_in_either_picture(seed, parts, luma_size):
    cameras = [
        blacked_out(FakeCamera([view], luma_size=luma_size), parts) for view in views(seed, parts)
    ]  # fmt: skip
    (luma, large), (other_luma, other_large) = (frames(camera) for camera in cameras)
    assert (luma == other_luma).all()
    assert (large == other_large).all()
    for part in parts:
        x, y = part.centre
        assert not large[int(y * VIEW[1]), int(x * VIEW[0])].any()


class Sensor:
    """A camera that shows the part of a view that a region of a board's camera shows."""

    name, live = "a board's camera", True

    def __init__(self, view, options, picture, luma_size, *, tells):
        self.view, self.picture, self.luma_size = Image.fromarray(view), picture, luma_size
        whole = (0, 0, *self.view.size)
        available = {"ScalerCrop": ((0, 0, 8, 8), whole, whole)}
        chosen = controls(options, available, picture)
        shown = Shown.of(options, available, chosen)
        self.crop = chosen["ScalerCrop"]
        self.turned = options.turned_by_us
        self.part = shown.part(self.crop if tells else None)

    def open(self, after=None):
        pass

    def close(self):
        pass

    def read(self, timeout_s):
        x, y, wide, high = self.crop
        seen = self.view.crop((x, y, x + wide, y + high)).resize(self.picture, Image.Resampling.BILINEAR)
        pixels = np.asarray(seen)
        pixels = pixels[::-1, ::-1] if self.turned else pixels
        luma = small_luma(pixels, self.luma_size)
        now = FakeClock().now()
        return Frame(1, now.wall, now.mono_s, luma, pixels.copy, Exposure(), self.part)


REGIONS = st.builds(
    lambda x, y, w, h: Box(x, y, x + w, y + h),
    st.floats(0, 0.5),
    st.floats(0, 0.5),
    st.floats(0.2, 0.5),
    st.floats(0.2, 0.5),
)


@given(st.integers(0, 2**32), st.lists(PARTS, min_size=1, max_size=3), REGIONS, st.booleans(), st.booleans())
def test_nor_where_the_pictures_show_a_region_of_the_view(seed, parts, region, turned, tells):
    options = PicameraOptions(region=region, upside_down=turned)
    size = (480, 360)
    first, second = views(seed, parts, size)
    if turned:  # parts are of the upright view, the sensor hangs head down
        first, second = first[::-1, ::-1].copy(), second[::-1, ::-1].copy()
    cameras = [
        blacked_out(Sensor(view, options, (120, 90), (40, 30), tells=tells), parts)
        for view in (first, second)
    ]
    (luma, large), (other_luma, other_large) = (frames(camera) for camera in cameras)
    assert (luma == other_luma).all()
    assert (large == other_large).all()


def test_the_law_itself_catches():
    part = Box(0.2, 0.2, 0.6, 0.6)
    shifted = Box(0.2, 0.2, 0.55, 0.6)
    cameras = [blacked_out(FakeCamera([view]), [shifted]) for view in views(1, [part])]
    (_, large), (_, other) = (frames(camera) for camera in cameras)
    assert (large != other).any()


@given(PARTS, REGIONS)
def test_from_the_view_into_a_picture_and_back(part, region):
    back = outward(within(part, region), region)
    assert np.allclose(back, part, atol=1e-9)


@given(REGIONS)
def test_the_part_that_a_region_uses_is_what_the_camera_uses(region):
    options = PicameraOptions(region=region)
    whole = (0, 0, 3280, 2464)
    available = {"ScalerCrop": ((0, 0, 64, 64), whole, whole)}
    shown = Shown.of(options, available, controls(options, available, (1640, 1232)))
    assert np.allclose(part_used(region, (1640, 1232)), shown.part(None), atol=0.002)


def test_a_camera_that_opens_in_steps_still_does_and_one_that_does_not_does_not():
    class InSteps(FakeCamera):
        def open_in_steps(self, within_s):
            self.open()
            return True

    assert isinstance(blacked_out(InSteps("f"), [WHOLE]), OpensInSteps)
    assert blacked_out(InSteps("f"), [WHOLE]).open_in_steps(1.0)
    assert not isinstance(blacked_out(FakeCamera("f"), [WHOLE]), OpensInSteps)


def test_without_parts_the_camera_is_itself():
    camera = FakeCamera("f")
    assert blacked_out(camera, ()) is camera
    assert behind(blacked_out(camera, [WHOLE])) is camera


def test_a_board_tells_which_part_of_its_view_a_frame_shows(monkeypatch):
    board = Board(FakeClock())
    plug_in(board, monkeypatch)

    def part(options):
        camera = PicameraCamera(board.clock, large_size=(328, 246), luma_size=(40, 30), options=options,
                                boottime=board.boottime_ns)  # fmt: skip
        camera.open()
        found = camera.read(1.0).part
        camera.close()
        return found

    assert part(PicameraOptions()) is None
    region = Box(0.25, 0.25, 0.5, 0.5)
    assert np.allclose(part(PicameraOptions(region=region)), region, atol=0.002)
    assert np.allclose(part(PicameraOptions(region=region, upside_down=True)), region, atol=0.002)


@pytest.mark.parametrize(
    "camera",
    ['kind = "fake"', 'kind = "scene"\nlarge_width = 160\nlarge_height = 120\nseconds = 2'],
)
def test_a_box_file_blacks_out_whatever_its_camera(camera, tmp_path):
    text = f"[camera]\n{camera}\nblackout = [[0.0, 0.5, 0.25, 1.0]]\n"
    made = build.camera(parse_box(text, "box.toml").value, tmp_path, FakeClock())
    luma, large = frames(made)
    assert not luma[120:, :80].any()
    assert luma[:100].any()
    height, width = large.shape[:2]
    assert not large[height // 2 :, : width // 4].any()
    assert large[: height // 3].any()


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("[[0.5, 0.1, 0.4, 0.2]]", "the wrong way round"),
        ("[[0.5, 0.1, 0.4]]", "blackout"),
        ("[[0.5, 0.1, 1.4, 0.2]]", "blackout"),
        ("[0.1, 0.1, 0.4, 0.2]", "blackout"),
    ],
)
def test_what_is_no_rectangle_is_named(value, says):
    with pytest.raises(ConfigError, match=says):
        parse_box(f'[camera]\nkind = "fake"\nblackout = {value}\n', "box.toml")


def test_more_than_half_of_the_view_is_surely_not_meant():
    text = '[camera]\nkind = "fake"\nblackout = [[0, 0, 1, 0.6]]\n[[sink]]\nkind = "memory"\nname = "a"\n'
    assert any("more than half" in each for each in parse_box(text, "box.toml").warnings)


@given(PARTS)
def test_the_reach_is_no_more_than_a_few_pixels(part):
    assume(part.x1 - part.x0 > 0.02)
    white = np.full((180, 240, 3), 255, np.uint8)
    _, large = frames(blacked_out(FakeCamera([white]), [part]))
    black = np.argwhere((large == 0).all(axis=2))
    (top, left), (bottom, right) = black.min(axis=0), black.max(axis=0)
    assert top >= part.y0 * 180 - 3
    assert bottom <= part.y1 * 180 + 2
    assert left >= part.x0 * 240 - 3
    assert right <= part.x1 * 240 + 2


def test_a_recording_of_a_region_is_black_where_the_region_was(tmp_path):
    parts = "[[0.5, 0.5, 0.75, 0.625], [0.0, 0.0, 0.4, 0.4]]"
    text = f"[camera]\nregion = [0.5, 0.5, 1.0, 1.0]\nblackout = {parts}\n"
    box = parse_box(text, "box.toml").value
    camera = sources.find(str(tmp_path), box, tmp_path, time_zone="UTC").box.camera
    assert camera.kind == "folder"
    (black,) = camera.blackout  # the other part lies outside of what was recorded
    assert black == pytest.approx((0.0, 0.0, 0.5, 0.25), abs=0.005)
    assert sources.find("scene", box, tmp_path, time_zone="UTC").box.camera.blackout == ()
