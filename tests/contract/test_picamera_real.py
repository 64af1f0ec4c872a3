"""What the adapter makes of the real picamera2's ways, on each version and both generations of boards."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from dooryard.camera.base import CameraStalledError
from dooryard.camera.luma import small_luma
from dooryard.camera.picamera_options import PicameraOptions, PicameraSettings
from dooryard.core.errors import CameraError
from dooryard.core.records import Box
from fakes.real_picamera2 import BOTH, VERSIONS, StandIn, until

pytestmark = [pytest.mark.process, pytest.mark.parametrize("version", VERSIONS)]


def seen_with(board, options, *, large_size=(640, 480)):
    """The luma and the large picture of the first frame of a camera with `options`."""
    camera = board.camera(PicameraSettings(0, large_size, (320, 240), 30.0, options=options))
    camera.open()
    frame = camera.read(5.0)
    large = frame.large()
    camera.close()
    return frame.luma, large


@pytest.mark.parametrize("newest", BOTH)
@pytest.mark.parametrize(
    ("sensor", "large_size", "region", "crop"),
    [
        (
            (3280, 2464),
            (1640, 1232),
            (820 / 3280, 616 / 2464, 2460 / 3280, 1848 / 2464),
            [820, 616, 1640, 1232],
        ),
        # A 4:3 picture shows 3456 of this sensor's 4608 pixels, from 576 on; .6 of them is 2649.6.
        ((4608, 2592), (640, 480), (0.6, 0.4, 0.9, 0.7), [2650, 1037, 1036, 776]),
    ],
)
def test_a_region_is_that_part_of_the_picture(
    tmp_path, version, newest, sensor, large_size, region, crop, caplog
):
    board = StandIn(tmp_path, version)
    board.set(newest=newest, sensor=sensor)
    seen_with(board, PicameraOptions(region=Box(*region)), large_size=large_size)
    assert board.noted("crops") == [crop, crop]  # of either stream
    assert caplog.text == ""


def test_without_a_region_the_whole_picture(tmp_path, version):
    board = StandIn(tmp_path, version)
    board.set(newest=True, sensor=(4608, 2592))
    seen_with(board, PicameraOptions())
    assert board.noted("crops") == [[576, 0, 3456, 2592]] * 2


def test_half_a_turn_is_the_camera_s_own(tmp_path, version):
    board = StandIn(tmp_path, version)
    seen_with(board, PicameraOptions(upside_down=True))
    assert board.noted("orientation") == "Rotate180"


@pytest.mark.parametrize("newest", BOTH)
def test_live_luma_is_that_of_a_recording(tmp_path, version, newest):
    """Within one step: the hardware rounds once, Pillow twice."""
    rng = np.random.default_rng(5)
    scene = np.kron(rng.integers(0, 256, (60, 80, 3)), np.ones((8, 8, 1))).astype(np.uint8)
    scene[:80], scene[80:160] = 0, 255  # black and white, for the whole of the range
    np.save(tmp_path / "scene.npy", scene)
    board = StandIn(tmp_path, version)
    board.set(newest=newest, scene=str(tmp_path / "scene.npy"))
    luma, large = seen_with(board, PicameraOptions())
    assert np.array_equal(large, scene)
    recorded = small_luma(large, (320, 240))
    assert np.abs(luma.astype(int) - recorded).max() <= 1
    assert (luma.min(), luma.max()) == (0, 255)


def test_options_reach_the_camera(tmp_path, version):
    board = StandIn(tmp_path, version)
    board.set(lens=True)
    wanted = PicameraOptions(exposure_s=0.01, gain=2.0, white_balance=(1.5, 1.2), focus_m=0.5)
    seen_with(board, wanted)
    asked = board.noted("asked")
    assert {
        name: asked[name] for name in ("ExposureTime", "AnalogueGain", "ColourGains", "LensPosition")
    } == {
        "ExposureTime": "10000",
        "AnalogueGain": "2.0",
        "ColourGains": "(1.5, 1.2)",
        "LensPosition": "2.0",
    }


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (PicameraOptions(gain=12.0), "gain may be 1 to 10.66"),
        (PicameraOptions(focus_m=0.05), "focus_m may be 0.067 or more"),
        (PicameraOptions(exposure_s=5e-5), "exposure_s may be 7.5e-05 to"),
    ],
)
def test_what_the_camera_cannot_is_refused_with_its_range(tmp_path, version, options, told):
    board = StandIn(tmp_path, version)
    board.set(lens=True)
    with pytest.raises(CameraError) as caught:
        seen_with(board, options)
    assert told in caught.value.what


@pytest.mark.parametrize(
    ("switches", "told"),
    [
        ({"cameras": 0}, "no camera number 0 was found"),
        ({"held_elsewhere": True}, "the camera is in use by another program"),
        ({"heap": "refused"}, "the memory for the camera's buffers is refused"),
        ({"heap": "missing"}, "there is no device for the camera's buffers"),
        ({"heap": "full"}, "no contiguous memory for the camera's buffers"),
        ({"adjusted_size": [632, 480]}, "instead of"),
    ],
)
def test_what_is_wrong_is_named_and_leaves_nothing_behind(tmp_path, version, switches, told):
    board = StandIn(tmp_path, version)
    camera = board.camera()
    board.set(**switches)
    for _ in range(2):  # and it is told the same again
        with pytest.raises(CameraError, match=told):
            camera.open()
    board.set(**dict.fromkeys(switches))
    board.switches.clear()
    board.set()
    camera.open()
    assert camera.read(5.0).number == 1
    camera.close()


def test_a_dead_event_loop_is_a_stall_and_then_opened_again(tmp_path, version):
    board = StandIn(tmp_path, version)
    camera = board.camera(close_within_s=30.0)  # it must not be ended by force
    camera.open()
    camera.read(5.0)
    board.set(event_loop_dies=True)
    with pytest.raises((CameraStalledError, CameraError)):
        for _ in range(10):
            camera.read(0.5)
    board.set(event_loop_dies=False)
    camera.close()
    until(lambda: camera._leaving.gone(0.1), 10.0)
    assert camera._leaving._process.returncode == 0
    camera.open()
    assert camera.read(5.0).number > 1
    camera.close()


def test_the_survey_draws_the_region_into_the_whole_view(tmp_path, version):
    """As an owner asks for it; what lies in the border is what the region gives."""
    height, width = 1232, 1640
    scene = np.zeros((height, width, 3), np.uint8)
    scene[..., 1] = np.linspace(0, 255, width).astype(np.uint8)
    np.save(tmp_path / "scene.npy", scene)
    board = StandIn(tmp_path, version)
    board.set(scene=str(tmp_path / "scene.npy"))
    (tmp_path / "box.toml").write_text(
        'name = "Alder Row"\n[camera]\nkind = "picamera"\nregion = [0.25, 0.25, 0.75, 0.75]\n'
        "[gate]\nignore = [[[0, 0], [0.3, 0], [0.3, 1], [0, 1]]]\n"
    )
    file = tmp_path / "view.png"
    command = [sys.executable, "-m", "dooryard", "survey", "--box", str(tmp_path / "box.toml"), "--no-button"]
    ran = subprocess.run(
        [*command, "--picture", str(file)], env=board.environ(), capture_output=True, text=True, check=False
    )
    assert "the region that is used is drawn in yellow" in ran.stdout, ran.stdout + ran.stderr
    with Image.open(file) as kept:
        seen = np.asarray(kept)
    yellow = np.argwhere((seen == (255, 214, 0)).all(axis=2))
    assert tuple(yellow.min(axis=0)) == (height // 4, width // 4)
    assert seen[10, 1200, 1] == scene[10, 1200, 1]  # outside of the region too: the whole view
