"""The fake camera does what its script says, and no more."""

import inspect
from datetime import timedelta

import numpy as np
import pytest

from dooryard.camera import fake
from dooryard.camera.base import CameraStalledError, EndOfFramesError
from dooryard.camera.fake import STEPS, FakeCamera
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError


def outcomes(camera, reads, timeout_s=1.0):
    """What each read gives: a frame's number, or s, E (gone or failed), end."""
    seen = []
    for _ in range(reads):
        try:
            seen.append(camera.read(timeout_s).number)
        except CameraStalledError:
            seen.append("s")
        except EndOfFramesError:
            seen.append("end")
        except CameraError:
            seen.append("E")
    return seen


def opened(script, **options):
    camera = FakeCamera(script, **options)
    camera.open()
    return camera


@pytest.mark.parametrize(
    ("script", "expected"),
    [
        ("fff", [1, 2, 3, "end", "end"]),
        ("f f", [1, 2, "end"]),
        ("fsf", [1, "s", 2, "end"]),
        ("fef", [1, "E", 2, "end"]),
        ("frbwf", [1, 2, 3, 4, 5, "end"]),
        ("fgf", [1, 11, 12, "end"]),
        ("fdf", [1, "E", "E", "E"]),
        ("", ["end"]),
    ],
)
def test_scripts(script, expected):
    assert outcomes(opened(script, frames_per_s=20), len(expected)) == expected


def test_a_camera_that_is_gone_comes_back_when_opened_again():
    camera = opened("fdaaf")
    assert outcomes(camera, 3) == [1, "E", "E"]
    for _ in range(2):
        with pytest.raises(CameraError, match="absent"):
            camera.open()
        assert outcomes(camera, 1) == ["E"]
    camera.open()
    assert outcomes(camera, 2) == [2, "end"]


def test_absent_from_the_start():
    camera = FakeCamera("af")
    with pytest.raises(CameraError, match="absent"):
        camera.open()
    camera.open()
    assert outcomes(camera, 1) == [1]


def test_a_live_camera_stalls_at_the_end_of_its_script():
    assert outcomes(opened("f", live=True), 3) == [1, "s", "s"]


def test_repeat_starts_the_script_again():
    assert outcomes(opened("ffs", repeat=True), 7) == [1, 2, "s", 3, 4, "s", 5]


def test_frames_come_at_their_pace_on_the_camera_s_own_clock():
    camera = opened("ffgf", frames_per_s=4)
    start = camera.clock.now()
    frames = [camera.read(10.0) for _ in range(4)]
    assert [frame.mono_s - start.mono_s for frame in frames] == [0.25, 0.5, 3.0, 3.25]
    assert [(frame.wall - start.wall).total_seconds() for frame in frames] == [0.25, 0.5, 3.0, 3.25]


def test_a_stall_takes_the_timeout_and_a_slow_camera_stalls_too():
    clock = FakeClock()
    camera = opened("sf", clock=clock, frames_per_s=0.5)
    start_s = clock.now().mono_s
    assert outcomes(camera, 4, timeout_s=0.75) == ["s", "s", "s", 1]
    assert clock.now().mono_s - start_s == pytest.approx(0.75 + 2.0)


def test_a_slow_reader_gets_no_burst():
    camera = opened("fff", frames_per_s=10)
    camera.read(1.0)
    camera.clock.advance(5.0)
    late, after = camera.read(1.0), camera.read(1.0)
    assert after.mono_s - late.mono_s == pytest.approx(0.1)


def test_a_clock_set_while_it_runs_shows_in_the_frames():
    camera = opened("ff")
    first = camera.read(1.0)
    camera.clock.step_wall(3600)
    second = camera.read(1.0)
    assert second.wall - first.wall == timedelta(hours=1, seconds=0.2)
    assert second.mono_s - first.mono_s == pytest.approx(0.2)


def test_content():
    bright = np.full((48, 64, 3), 200, np.uint8)
    camera = opened([*"frbw", bright, "r"], picture=lambda n: np.full((48, 64, 3), n, np.uint8))
    assert [int(camera.read(1.0).large().mean()) for _ in range(6)] == [1, 1, 0, 255, 200, 200]


def test_the_plain_picture_changes_and_fits_the_luma():
    camera = opened("ff", luma_size=(80, 60))
    first = camera.read(1.0)
    second = camera.read(1.0)
    assert first.luma.shape == (60, 80)
    assert first.large().shape == (480, 640, 3)
    assert (first.luma != second.luma).all()


def test_after_passes_over_what_a_recording_took_before():
    camera = FakeCamera("ffff", frames_per_s=1)
    camera.open(after=camera.clock.now().wall + timedelta(seconds=2))
    assert outcomes(camera, 3) == [3, 4, "end"]


def test_steps_that_do_not_exist():
    with pytest.raises(CameraError, match=r"unknown steps: \? z"):
        FakeCamera("fz?")
    with pytest.raises(CameraError, match="repeats a script without a frame"):
        FakeCamera("ss", repeat=True)


def test_each_step_stands_in_the_table():
    table = inspect.getdoc(fake).split("====")
    listed = {line[0] for line in "".join(table).splitlines() if line[1:5] == "    "}
    assert listed == STEPS
