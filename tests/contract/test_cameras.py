"""What every camera promises (see dooryard.camera.base), held against each registered one."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dooryard.box.camera import CAMERAS, FakeCameraTable, FolderTable, PicameraTable, SceneTable
from dooryard.box.file import parse_box
from dooryard.box.plugins import kind_named
from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.camera.garden.settings import GardenSettings
from dooryard.camera.picamera import PicameraCamera
from dooryard.camera.picamera_options import PicameraSettings
from dooryard.camera.scene import SceneCamera
from dooryard.core.clock import Clock, FakeClock, SystemClock
from dooryard.core.errors import CameraError
from dooryard.core.records import Frame
from fakes.labs import on_path
from fakes.picamera2_fake import Board, plug_in
from fakes.real_picamera2 import GENERATIONS, VERSIONS, StandIn
from fakes.recordings import write_frame

LUMA_SIZE = (160, 120)
LUMA: dict[str, Any] = {"luma_width": 160, "luma_height": 120}


@dataclass
class Bench:
    """One camera under test. `make` gives a fresh one on the same source; `clock` times a live one."""

    make: Callable[[], Camera]
    clock: Clock
    stall: Callable[[], None] | None = None  # lets no more frames come, where that can be
    go_on: Callable[[], None] = lambda: None  # lets them come again, where they do not by themselves
    late_s: float = 1e-9  # how much later than asked for a wait may end: a real one is woken late
    luma_size: tuple[int, int] = LUMA_SIZE
    clocks_within_s: float = 1e-5  # how far the two clocks, which are read one after the other, may differ


def folder_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    clock = FakeClock()
    for number in range(12):
        taken = clock.now().wall + timedelta(seconds=0.2 * number)
        write_frame(tmp_path / f"{number}.jpg", taken, number=number, size=(320, 240))
    options = FolderTable(kind="folder", folder=str(tmp_path), **LUMA)
    return Bench(lambda: options.build(clock, tmp_path), clock)


def fake_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    clock = FakeClock()
    options = FakeCameraTable(kind="fake", script="frbwfgffffff", repeat=False, live=False, **LUMA)
    return Bench(lambda: options.build(clock, tmp_path), clock)


def live_fake_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    clock = FakeClock()
    made: list[Any] = []  # fakes, whose script is reached into
    options = FakeCameraTable(kind="fake", script="f" * 12, repeat=False, **LUMA)

    def make() -> Camera:
        made.append(options.build(clock, tmp_path))
        camera: Camera = made[-1]
        return camera

    return Bench(make, clock, stall=lambda: made[-1]._steps.insert(made[-1]._next, "s"))


def picamera_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    clock = FakeClock()
    board = Board(clock)
    plug_in(board, monkeypatch)
    monkeypatch.setattr("dooryard.camera.picamera.boottime_ns", board.boottime_ns)
    settings = PicameraSettings(large_size=(328, 246), luma_size=LUMA_SIZE)

    def stall() -> None:
        board.script = "s" + board.script

    return Bench(lambda: PicameraCamera.of(settings, clock), clock, stall)


def scene_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    clock = FakeClock()
    options = SceneTable(kind="scene", seed=5, large_width=192, large_height=144, seconds=3.0, **LUMA)
    return Bench(lambda: options.build(clock, tmp_path), clock)


def direct_scene_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    clock = FakeClock()
    garden = GardenSettings(seed=5, width=192, height=144, duration_s=3.0)
    return Bench(lambda: SceneCamera(garden, luma_size=LUMA_SIZE, direct_luma=True), clock)


def lab_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A camera of another package, which is really installed: see tests/plugins."""
    clock = FakeClock()
    text = '[camera]\nkind = "stripes"\nframes = 12\nluma_width = 160\nluma_height = 120\n'
    with on_path():
        options = parse_box(text, "box.toml").value.camera
    return Bench(lambda: options.build(clock, tmp_path), clock)


def board_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The board's own camera, with its own library; what it has not is skipped by name."""
    clock, luma_size = SystemClock(), (320, 240)
    options = PicameraTable(large_width=1280, large_height=960)
    try:
        camera = options.build(clock, tmp_path)
        camera.open()
        camera.close()
    except CameraError as error:
        pytest.skip(f"this board has no camera to try: {error.what}")
    # The system's own clock may be slewed while a test runs.
    return Bench(lambda: options.build(clock, tmp_path), clock, luma_size=luma_size, clocks_within_s=5e-3)


def real_bench(version: str, *, newest: bool) -> Callable[[Path, pytest.MonkeyPatch], Bench]:
    """The real library, in the process that the service runs it in, above a stand-in for the hardware."""

    def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
        board = StandIn(tmp_path, version)
        board.set(newest=newest)
        settings = PicameraSettings(0, (640, 480), (320, 240), 30.0)
        made: list[Camera] = []

        def make() -> Camera:
            made.append(board.camera(settings))
            return made[-1]

        def stall() -> None:
            board.set(frames=False)
            with contextlib.suppress(CameraStalledError):
                while made[-1].read(0.3):  # what was under way
                    pass

        return Bench(
            make,
            SystemClock(),
            stall,
            lambda: board.set(frames=True),
            late_s=0.2,
            luma_size=(320, 240),
            clocks_within_s=5e-3,
        )

    return bench


RECORDINGS = {
    "fake": fake_bench,
    "folder": folder_bench,
    "scene": scene_bench,
    "scene, direct": direct_scene_bench,
    "stripes, of another package": lab_bench,
}
BOARD = "picamera, on the board"
REAL = {
    f"picamera, real {version}, {name}": real_bench(version, newest=newest)
    for version in VERSIONS
    for name, newest in GENERATIONS.items()
}
LIVE = {"fake, live": live_fake_bench, "picamera": picamera_bench, BOARD: board_bench} | REAL
ALL = RECORDINGS | LIVE


def marked(names):
    return [pytest.param(name, marks=pytest.mark.board) if name == BOARD else name for name in names]


recordings_only = pytest.mark.parametrize("bench", RECORDINGS, indirect=True)
live_only = pytest.mark.parametrize("bench", marked(LIVE), indirect=True)


@pytest.fixture(params=marked(ALL))
def bench(request, tmp_path, monkeypatch, on_a_board):
    if request.param == BOARD and not on_a_board:
        pytest.skip("no board: its own camera is NOT tried (--hardware says that there is one)")
    return ALL[request.param](tmp_path, monkeypatch)


@pytest.fixture
def camera(bench):
    made = bench.make()
    yield made
    made.close()


def frames(camera: Camera, count: int) -> list[Frame]:
    return [camera.read(5.0) for _ in range(count)]


def test_every_registered_camera_is_held_to_the_contract():
    assert {name.partition(",")[0] for name in ALL} - {"stripes"} == {
        kind_named(options) for options in CAMERAS
    }


def test_it_has_a_name(camera):
    assert camera.name


@recordings_only
def test_a_recording_says_that_it_is_one(camera):
    assert camera.live is False


@live_only
def test_a_live_camera_says_that_it_is_one(camera):
    assert camera.live is True


def test_numbers_grow_and_monotonic_time_never_goes_back(camera):
    camera.open()
    seen = frames(camera, 8)
    assert all(later.number > earlier.number for earlier, later in itertools.pairwise(seen))
    assert all(later.mono_s >= earlier.mono_s for earlier, later in itertools.pairwise(seen))
    assert seen[-1].mono_s > seen[0].mono_s


def test_wall_times_are_aware_and_in_utc(camera):
    camera.open()
    for frame in frames(camera, 3):
        assert frame.wall.tzinfo is UTC
        assert isinstance(frame.mono_s, float)


def test_both_clocks_run_alike(bench, camera):
    camera.open()
    first, *_, last = frames(camera, 6)
    assert (last.wall - first.wall).total_seconds() == pytest.approx(
        last.mono_s - first.mono_s, abs=bench.clocks_within_s
    )


def test_luma_is_small_grey_and_contiguous(bench, camera):
    camera.open()
    for frame in frames(camera, 3):
        assert frame.luma.shape == bench.luma_size[::-1]
        assert frame.luma.dtype == np.uint8
        assert frame.luma.flags.c_contiguous


def test_luma_stays_as_it_was(camera):
    camera.open()
    first = camera.read(5.0)
    kept = first.luma.copy()
    frames(camera, 4)
    assert np.array_equal(first.luma, kept)


def test_the_large_picture_is_colour_and_may_be_asked_for_twice(camera):
    camera.open()
    frame = camera.read(5.0)
    large, again = frame.large(), frame.large()
    assert large.ndim == 3
    assert large.shape[2] == 3
    assert large.shape[0] >= frame.luma.shape[0]
    assert large.dtype == np.uint8
    assert np.array_equal(large, again)


def test_the_large_picture_is_the_caller_s_own(camera):
    camera.open()
    large = camera.read(5.0).large()
    kept = large.copy()
    frames(camera, 3)
    assert np.array_equal(large, kept)


def test_large_and_small_show_the_same_aspect(bench, camera):
    """Relative boxes hold on both: neither is cropped out of the other."""
    camera.open()
    frame = camera.read(5.0)
    height, width = frame.large().shape[:2]
    assert width / height == pytest.approx(bench.luma_size[0] / bench.luma_size[1], rel=0.01)


def test_reading_before_opening_and_after_closing_is_an_error(camera):
    with pytest.raises(CameraError):
        camera.read(1.0)
    camera.open()
    camera.read(5.0)
    camera.close()
    with pytest.raises(CameraError):
        camera.read(1.0)


def test_closing_twice_and_before_opening(camera):
    camera.close()
    camera.open()
    camera.read(5.0)
    camera.close()
    camera.close()


def test_opening_again(camera):
    camera.open()
    camera.read(5.0)
    camera.close()
    camera.open()
    assert len(frames(camera, 3)) == 3


@live_only
def test_a_live_camera_has_no_past(bench, camera):
    camera.open(after=bench.clock.now().wall + timedelta(days=1))
    assert camera.read(5.0).wall < bench.clock.now().wall + timedelta(days=1)


@recordings_only
def test_a_recording_goes_on_after_a_given_time(bench, camera):
    camera.open()
    seen = frames(camera, 5)
    camera.close()
    again = bench.make()
    again.open(after=seen[2].wall)
    rest = again.read(5.0)
    again.close()
    assert (rest.wall, rest.number) == (seen[3].wall, seen[3].number)


@recordings_only
def test_a_recording_ends_and_stays_ended(camera):
    camera.open()
    with pytest.raises(EndOfFramesError):
        frames(camera, 1_000)
    with pytest.raises(EndOfFramesError):
        camera.read(1.0)


@live_only
def test_a_stall_is_over_within_the_timeout_and_frames_go_on(bench, camera):
    if bench.stall is None:
        pytest.skip("a real camera cannot be made to stall: NOT tried")
    camera.open()
    first = camera.read(5.0)
    bench.stall()
    before_s = bench.clock.now().mono_s
    with pytest.raises(CameraStalledError):
        camera.read(0.75)
    assert bench.clock.now().mono_s - before_s <= 0.75 + bench.late_s
    bench.go_on()
    assert camera.read(5.0).number > first.number


@live_only
def test_frame_times_are_those_of_the_clock_when_the_frame_was_taken(bench, camera):
    camera.open()
    for frame in frames(camera, 3):
        now = bench.clock.now()
        assert 0.0 <= now.mono_s - frame.mono_s < 0.5
        assert (now.wall - frame.wall).total_seconds() == pytest.approx(
            now.mono_s - frame.mono_s, abs=bench.clocks_within_s
        )
