"""Exposure, white balance, focus, region and half a turn; and a driver that hangs while it is opened."""

from __future__ import annotations

import sys
import threading
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.camera.picamera import PicameraCamera
from dooryard.camera.picamera_opening import Opening
from dooryard.camera.picamera_options import (
    PicameraOptions,
    controls,
    crop,
    crop_fault,
    half_a_turn,
    out_of_range,
    problems,
)
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError, StuckError
from dooryard.core.records import Box
from fakes.picamera2_fake import Board, plug_in

PICTURE = (328, 246)


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Board:
    made = Board(FakeClock())
    plug_in(made, monkeypatch)
    return made


def camera_on(board: Board, options: PicameraOptions | None = None, **others: Any) -> PicameraCamera:
    return PicameraCamera(
        board.clock,
        large_size=PICTURE,
        luma_size=(40, 30),
        frames_per_s=10.0,
        options=options,
        boottime=board.boottime_ns,
        **others,
    )


def set_on(board: Board, options: PicameraOptions) -> dict[str, Any]:
    """The controls that a camera with `options` sets."""
    camera = camera_on(board, options)
    camera.open()
    given = dict(camera._device.camera_config["controls"])
    camera.read(1.0)
    camera.close()
    assert given.pop("FrameDurationLimits") == (100_000, 100_000)
    return given


def test_the_camera_decides_unless_told(board: Board):
    assert set_on(board, PicameraOptions()) == {}


def test_a_locked_exposure(board: Board):
    assert set_on(board, PicameraOptions(exposure_s=0.008, gain=2.0)) == {
        "AeEnable": False,
        "ExposureTime": 8_000,
        "AnalogueGain": 2.0,
    }
    assert set_on(board, PicameraOptions(exposure_s=0.008)) == {
        "ExposureTime": 8_000
    }  # the gain follows the light


def test_a_locked_white_balance(board: Board):
    assert set_on(board, PicameraOptions(white_balance=(1.9, 1.6))) == {
        "AwbEnable": False,
        "ColourGains": (1.9, 1.6),
    }


def test_focus(board: Board):
    board.controls |= {"AfMode": (0, 2, 0), "LensPosition": (0.0, 32.0, 1.0)}
    assert set_on(board, PicameraOptions(focus_m=0.8)) == {"AfMode": 0, "LensPosition": 1.25}
    assert set_on(board, PicameraOptions(focus_m="auto")) == {"AfMode": 2}


def test_a_camera_that_cannot_be_focused_by_program(board: Board):
    with pytest.raises(CameraError) as caught:
        camera_on(board, PicameraOptions(focus_m=0.8)).open()
    assert caught.value.what == "this camera has no AfMode, LensPosition"
    assert "focused by hand" in caught.value.remedy
    assert board.open_devices == 0


def test_a_region_is_taken_and_checked_on_the_first_frame(board: Board, caplog: pytest.LogCaptureFixture):
    region = Box(0.25, 0.25, 0.75, 0.75)
    assert set_on(board, PicameraOptions(region=region)) == {
        "ScalerCrop": (819, 616, 1642, 1232)
    }  # the middle
    assert caplog.text == ""
    board.crop_used = (0, 0, 3280, 2464)
    set_on(board, PicameraOptions(region=region))
    told = "the region asked for is (819, 616, 1642, 1232), the camera uses (0, 0, 3280, 2464)"
    assert caplog.text.count(told) == 1


def test_the_newest_boards_take_a_region_for_each_stream(board: Board, caplog: pytest.LogCaptureFixture):
    """Theirs wins over the one for all, and the library has set it by then."""
    board.newest = True
    part = (819, 616, 1642, 1232)
    assert set_on(board, PicameraOptions(region=Box(0.25, 0.25, 0.75, 0.75))) == {
        "ScalerCrop": part,
        "ScalerCrops": [part, part],
    }
    assert caplog.text == ""  # and a frame says that it holds


@pytest.mark.parametrize("newest", [False, True])
def test_a_region_is_of_what_the_picture_shows_without_one(board: Board, newest: bool):
    """A 4:3 picture of a 16:9 sensor leaves its sides out: the middle 3456 of 4608 pixels are the view."""
    board.newest = newest
    shown = (576, 0, 3456, 2592)
    board.controls["ScalerCrop"] = ((0, 0, 64, 64), (0, 0, 4608, 2592), shown)
    chosen = set_on(board, PicameraOptions(region=Box(0.6, 0.4, 0.9, 0.7)))
    assert chosen["ScalerCrop"] == (2650, 1037, 1036, 776)  # .6 and .9 of 3456 from 576 on


def test_what_the_camera_cannot_is_told_with_its_own_range(board: Board):
    board.controls |= {"AfMode": (0, 2, 0), "LensPosition": (0.0, 15.0, 1.0)}
    wanted = PicameraOptions(exposure_s=1e-5, gain=20.0, white_balance=(1.0, 32.0), focus_m=0.05)
    with pytest.raises(CameraError) as caught:
        camera_on(board, wanted).open()
    assert caught.value.what.split("; ") == [
        "this camera cannot expose for 0.01 ms: exposure_s may be 7.5e-05 to 11.7668",
        "this camera has no gain of 20: gain may be 1 to 16",
        "this camera cannot focus at 0.05 m: focus_m may be 0.067 or more",
    ]
    assert board.open_devices == 0


def test_limits_that_are_not_told_are_not_held_against_the_wish():
    known = {"AnalogueGain": (None, None, None), "ColourGains": ((0.0, 0.0), (32.0, 32.0), None)}
    assert out_of_range(PicameraOptions(gain=60.0, white_balance=(1.0, 2.0)), known) == ()


def test_half_a_turn(board: Board):
    camera = camera_on(board, PicameraOptions(upside_down=True))
    camera.open()
    assert camera._device.camera_config["transform"] == SimpleNamespace(hflip=1, vflip=1)
    camera.close()


def test_a_region_of_a_camera_that_hangs_head_down(board: Board, caplog: pytest.LogCaptureFixture):
    """Its top left is the camera's bottom right; the pictures are turned here, the camera does not."""
    region, hanging = Box(0.0, 0.0, 0.5, 0.5), Box(0.5, 0.5, 1.0, 1.0)
    upright = camera_on(board, PicameraOptions(region=hanging))
    upright.open()
    config = upright._device.camera_config
    plain = upright.read(1.0)
    plain_luma, plain_large = plain.luma.copy(), plain.large()
    upright.close()
    board.frames = 0
    turned = camera_on(board, PicameraOptions(region=region, upside_down=True))
    turned.open()
    assert turned._device.camera_config == config  # its controls with the region among them
    frame = turned.read(1.0)
    assert np.array_equal(frame.luma, plain_luma[::-1, ::-1])
    assert frame.luma.flags.c_contiguous
    assert not frame.luma.flags.writeable
    assert np.array_equal(frame.large(), plain_large[::-1, ::-1])
    assert frame.large().flags.c_contiguous
    turned.close()
    assert caplog.text == ""


@given(st.tuples(*[st.floats(0.0, 1.0)] * 4))
def test_half_a_turn_twice_is_none(corners: tuple[float, float, float, float]):
    region = Box(*corners)
    assert half_a_turn(half_a_turn(region)) == pytest.approx(region)


def test_without_the_camera_s_own_library(board: Board, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "libcamera", None)
    with pytest.raises(CameraError, match="the camera's own library cannot be loaded"):
        camera_on(board).open()
    assert board.open_devices == 0


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (PicameraOptions(exposure_s=0.2), "does not fit 10 frames a second: choose 100 ms or less"),
        (PicameraOptions(exposure_s=0.0), "does not fit"),
        (PicameraOptions(gain=0.5), "choose 1 to 64"),
        (PicameraOptions(white_balance=(1.0, 0.0)), "white balance is two gains"),
        (PicameraOptions(focus_m=0.0), "choose 0.03 to 1000"),
        (PicameraOptions(region=Box(0.5, 0.0, 0.5, 1.0)), "a region is x0 < x1"),
    ],
)
def test_options_without_sense_are_refused_before_anything_is_opened(
    board: Board, options: PicameraOptions, told: str
):
    with pytest.raises(CameraError, match="fix the") as caught:
        camera_on(board, options)
    assert told in caught.value.what
    assert board.calls == []


def test_every_problem_is_told_at_once():
    assert len(problems(PicameraOptions(exposure_s=9.0, gain=99.0, focus_m=-1.0), 10.0)) == 3


parts = st.tuples(*[st.floats(0, 1)] * 4).filter(
    lambda p: abs(p[0] - p[1]) > 0.02 and abs(p[2] - p[3]) > 0.02
)


@given(
    parts,
    st.sampled_from([(0, 0, 3280, 2464), (16, 24, 4608, 2592)]),
    st.sampled_from([(4, 3), (16, 9), (1, 1)]),
)
def test_a_crop_holds_its_shape_and_lies_in_the_view(
    corners: tuple[float, ...], most: tuple[int, int, int, int], shape: tuple[int, int]
):
    xs, ys = sorted(corners[:2]), sorted(corners[2:])
    region = Box(xs[0], ys[0], xs[1], ys[1])
    x, y, width, height = crop(region, most, shape)
    assert most[0] <= x
    assert most[1] <= y
    assert x + width <= most[0] + most[2] + 1
    assert y + height <= most[1] + most[3] + 1
    assert width / height == pytest.approx(shape[0] / shape[1], rel=0.1, abs=2 / height * 4)


def test_the_whole_region_is_the_whole_view():
    whole = (0, 0, 3280, 2460)
    assert crop(Box(0, 0, 1, 1), whole, (4, 3)) == whole
    chosen = controls(PicameraOptions(region=Box(0, 0, 1, 1)), {"ScalerCrop": (0, whole, whole)}, (4, 3))
    assert chosen == {"ScalerCrop": whole}


def test_a_crop_that_is_rounded_is_no_fault():
    assert crop_fault((819, 616, 1642, 1232), (821, 615, 1638, 1228)) is None
    assert crop_fault(None, (0, 0, 1, 1)) is None
    assert crop_fault((0, 0, 1, 1), None) is None


def test_a_driver_that_hangs_while_opening_is_told_and_then_the_service_may_end(board: Board):
    board.open_may_go_on = threading.Event()
    camera = camera_on(board, open_within_s=0.05)
    with pytest.raises(CameraError, match=r"did not start within 0\.05 s"):
        camera.open()
    with pytest.raises(StuckError, match="the driver does not answer"):
        camera.open()
    assert board.calls == ["open"]  # no second one while the first hangs
    opening = camera._opening
    assert opening is not None
    board.open_may_go_on.set()
    opening._thread.join(10.0)
    assert "close" in board.calls
    assert board.open_devices == 0  # what came too late was let go of
    board.open_may_go_on = None
    camera.open()  # and it works again
    assert camera.read(1.0).number == 1
    camera.close()


def test_what_opening_raises_is_handed_on():
    def fail() -> Any:
        raise KeyError("x")

    with pytest.raises(KeyError):
        Opening(fail, lambda _device: None).wait(10.0)
