"""The board's camera, against a stand-in that has picamera2's calls and its bad habits."""

from __future__ import annotations

import io
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import numpy as np
import pytest

from dooryard.camera.base import CameraStalledError
from dooryard.camera.picamera import PicameraCamera
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError, StuckError
from fakes.picamera2_fake import BlocksForeverError, Board, plug_in


@pytest.fixture
def board(monkeypatch):
    made = Board(FakeClock())
    plug_in(made, monkeypatch)
    return made


def camera_on(board, **options):
    small = {"large_size": (328, 246), "luma_size": (40, 30), "frames_per_s": 10.0}
    return PicameraCamera(board.clock, boottime=board.boottime_ns, **(small | options))


@pytest.fixture
def camera(board):
    made = camera_on(board)
    made.open()
    yield made
    made.close()


def test_configured_once_with_two_streams_and_no_raw_one(board, camera):
    config = camera._device.camera_config
    assert config["main"]["size"] == (328, 246)
    assert config["main"]["format"] == "BGR888"
    assert config["lores"]["size"] == (40, 30)
    assert config["lores"]["format"] == "YUV420"
    assert config["raw"] is None
    assert config["buffer_count"] == 4
    assert config["controls"] == {"FrameDurationLimits": (100_000, 100_000)}
    assert board.calls == ["open", "configure", "start"]


def test_luma_is_the_y_plane_without_its_padding(board, camera):
    assert camera._device.camera_config["lores"]["stride"] == 64  # 40 pixels and 24 bytes of nothing
    frame = camera.read(1.0)
    assert np.array_equal(frame.luma, board.luma(1, (40, 30)))


def test_luma_outlives_the_frame_s_buffers(board, camera):
    first = camera.read(1.0)
    kept = first.luma.copy()
    camera.read(1.0)  # the stand-in writes over what was given back
    assert np.array_equal(first.luma, kept)
    assert not first.luma.flags.writeable


def test_the_large_picture_is_red_green_blue_without_padding(board, camera):
    assert camera._device.camera_config["main"]["stride"] == 1024  # 984 bytes of pixels
    large = camera.read(1.0).large()
    assert np.array_equal(large, board.picture(1, (328, 246)))
    assert [large[0, x].argmax() for x in (5, 164, 320)] == [0, 1, 2]
    camera.read(1.0)
    assert np.array_equal(large, board.picture(1, (328, 246)))  # a copy of its own


def test_the_large_picture_is_gone_with_the_next_read(camera):
    first = camera.read(1.0)
    camera.read(1.0)
    with pytest.raises(RuntimeError, match="frame 1 of board camera 0 has been given back"):
        first.large()


def test_each_frame_is_given_back(board, camera):
    for _ in range(20):  # with four buffers
        camera.read(1.0)
        assert camera._device.held == 1


def test_sensor_time_on_both_clocks(board, camera):
    frame = camera.read(1.0)
    now = board.clock.now()
    # The stamp is CLOCK_BOOTTIME, a thousand seconds of sleep ahead of the monotonic clock here.
    assert now.mono_s - frame.mono_s == pytest.approx(board.latency_s, abs=1e-6)
    assert now.wall - frame.wall == timedelta(seconds=board.latency_s)


@pytest.mark.parametrize("unusable", ["missing", "ahead", "ages ago"])
def test_a_sensor_time_that_cannot_be_is_not_used(board, camera, caplog, unusable):
    board.stamped = unusable != "missing"
    board.latency_s = {"missing": 0.04, "ahead": -5.0, "ages ago": 5_000.0}[unusable]
    first, second = camera.read(1.0), camera.read(1.0)
    assert second.mono_s == board.clock.now().mono_s
    assert second.mono_s > first.mono_s
    assert [record.message.partition(" (")[0] for record in caplog.records] == [
        "board camera 0: sensor times are not usable"
    ]


def test_a_missing_sensor_time_is_not_taken_for_the_moment_of_boot(monkeypatch):
    board = Board(FakeClock(mono_s=20.0))  # just booted: twenty seconds would pass for an age
    board.slept_s, board.stamped = 0.0, False
    plug_in(board, monkeypatch)
    camera = camera_on(board)
    camera.open()
    assert camera.read(1.0).mono_s == board.clock.now().mono_s
    camera.close()


def test_monotonic_time_never_goes_back(board, camera):
    board.latency_s = 0.01
    first = camera.read(1.0)
    board.latency_s = 3.0
    assert camera.read(1.0).mono_s == first.mono_s


def test_exposure(camera):
    exposure = camera.read(1.0).exposure
    assert exposure.exposure_s == 0.008
    assert exposure.gain == 3.0  # analogue 2.0 times digital 1.5


def test_a_stall_ends_with_its_deadline(board, camera):
    board.script = "fsf"
    camera.read(1.0)
    before = board.clock.now().mono_s
    with pytest.raises(CameraStalledError, match=r"no frame from board camera 0 within 2\.5 s"):
        camera.read(2.5)
    assert board.clock.now().mono_s - before == 2.5
    assert camera.read(1.0).number == 2


def test_stalls_cost_no_buffers(board, camera):
    """A capture asked for twice would hand every late frame to nobody, and its buffers with it."""
    board.script = "sf" * 50
    for number in range(1, 51):
        with pytest.raises(CameraStalledError):
            camera.read(1.0)
        assert camera.read(1.0).number == number
    assert camera._device.held == 1


def test_unplugged_then_opened_again(board, camera):
    board.script = "fxff"
    camera.read(1.0)
    for _ in range(3):
        with pytest.raises(CameraStalledError):
            camera.read(1.0)
    board.calls.clear()
    camera.close()
    assert board.calls == ["cancel_all_and_flush", "close", "stop"]  # close stops by itself
    assert board.open_devices == 0
    camera.open()
    assert camera.read(1.0).number == 2


def test_a_failing_library_is_a_camera_that_is_gone(board, camera):
    board.script = "fkf"
    camera.read(1.0)
    with pytest.raises(CameraError, match=r"failed: RuntimeError: camera has lost its way") as caught:
        camera.read(1.0)
    assert caught.value.remedy == "close it and open it again"
    camera.close()
    camera.open()
    assert camera.read(1.0).number == 2


@pytest.fixture
def stuck(board):
    """A driver that does not answer until the test is over."""
    board.stop_may_go_on = threading.Event()
    yield board.stop_may_go_on
    board.stop_may_go_on.set()


def test_a_driver_that_does_not_let_go_is_said_and_not_waited_for(board, stuck, caplog):
    camera = camera_on(board, close_within_s=0.01)
    camera.open()
    camera.read(1.0)
    camera.close()
    assert caplog.messages == ["board camera 0: the driver did not release it within 0.01 s"]
    with pytest.raises(StuckError, match="has not been released"):
        camera.open()
    stuck.set()
    camera._closing.join(5.0)
    camera.open()  # it did answer in the end
    assert camera.read(1.0).number == 2
    camera.close()


def test_an_event_loop_that_has_died_is_closed_without_it(board, camera):
    board.script = "fdff"
    camera.read(1.0)
    with pytest.raises(CameraStalledError):
        camera.read(1.0)
    camera.close()
    assert board.open_devices == 0
    camera.open()
    assert camera.read(1.0).number == 2


def test_buffers_that_are_refused(board):
    board.heap_fault = PermissionError(13, "Permission denied", "/dev/dma_heap/linux,cma")
    with pytest.raises(CameraError, match=r"memory .* is refused: .*'/dev/dma_heap/linux,cma'") as caught:
        camera_on(board).open()
    assert "group video" in caught.value.remedy
    # The library has the camera all the same, for as long as the process lives.
    board.heap_fault = None
    with pytest.raises(CameraError, match="in use by another program"):
        camera_on(board).open()


def test_buffers_that_no_device_gives(board):
    board.heap_fault = RuntimeError("Could not open any dmaHeap device")
    with pytest.raises(CameraError, match="there is no device for the camera's buffers"):
        camera_on(board).open()


@pytest.mark.parametrize("version", [(0, 3, 36), (0, 3, 38)])
def test_no_camera(board, version):
    board.cameras, board.version = 0, version
    with pytest.raises(CameraError, match="no camera number 0 was found") as caught:
        camera_on(board).open()
    assert "ribbon" in caught.value.remedy


def test_in_use_by_another_program(board):
    board.held_elsewhere = True
    with pytest.raises(CameraError, match=r"in use by another program: .*Device or resource busy"):
        camera_on(board).open()


@pytest.mark.parametrize(
    "told",
    [
        OSError(12, "Cannot allocate memory"),
        RuntimeError("failed to allocate capture buffers for stream 0"),
        RuntimeError("Failed to start camera: Cannot allocate memory"),
    ],
)
def test_no_contiguous_memory(board, monkeypatch, told):
    camera = camera_on(board, large_size=(1640, 1232))

    def refuse(device, config):
        raise told

    monkeypatch.setattr(sys.modules["picamera2"].Picamera2, "configure", refuse)
    with pytest.raises(CameraError, match=r"no contiguous memory .* \(about 23 MiB\)") as caught:
        camera.open()
    assert "make the large picture smaller" in caught.value.remedy
    assert board.open_devices == 0


def test_the_board_s_memory_is_enough_or_not(board):
    board.cma_bytes = 8 * 2**20
    with pytest.raises(CameraError, match="no contiguous memory"):
        camera_on(board, large_size=(1640, 1232)).open()
    camera_on(board).open()


def test_sizes_that_the_camera_does_not_give(board):
    board.adjusted_size = (320, 240)
    with pytest.raises(CameraError, match=r"gives .*\(320, 240\).* instead of .*\(328, 246\)"):
        camera_on(board).open()
    assert board.open_devices == 0


def test_a_version_with_other_calls(board, monkeypatch):
    monkeypatch.delattr("fakes.picamera2_fake.FakePicamera2.create_video_configuration")
    with pytest.raises(CameraError, match="does not start: AttributeError"):
        camera_on(board).open()


def test_not_installed(monkeypatch):
    monkeypatch.setitem(sys.modules, "picamera2", None)  # as if it were not there
    with pytest.raises(CameraError, match="cannot be loaded") as caught:
        PicameraCamera(FakeClock()).open()
    assert "python3-picamera2" in caught.value.remedy
    assert "--system-site-packages" in caught.value.remedy


def test_built_against_another_numpy(tmp_path, monkeypatch):
    monkeypatch.delitem(sys.modules, "picamera2", raising=False)
    (tmp_path / "picamera2.py").write_text("raise ValueError('numpy.dtype size changed')")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(CameraError, match=r"does not load: numpy\.dtype size changed") as caught:
        PicameraCamera(FakeClock()).open()
    assert "numpy" in caught.value.remedy


def test_one_thread_owns_it(camera):
    with ThreadPoolExecutor(1) as other, pytest.raises(RuntimeError, match="a thread that did not open it"):
        other.submit(camera.read, 1.0).result(timeout=5.0)


@pytest.mark.parametrize(
    "options",
    [
        {"large_size": (321, 240)},
        {"luma_size": (0, 30)},
        {"luma_size": (400, 30)},
        {"frames_per_s": 0},
        {"buffers": 2},
    ],
)
def test_options_that_cannot_work(board, options):
    with pytest.raises(CameraError):
        camera_on(board, **options)


def test_the_stand_in_blocks_where_the_library_does(board, camera):
    """If these did not hold, the tests above would prove nothing."""
    device = camera._device
    board.script = "s"
    with pytest.raises(BlocksForeverError):
        device.capture_request()
    with pytest.raises(BlocksForeverError):
        device.stop()
    device.cancel_all_and_flush()
    device.stop()
    device.start()
    device.loop_died = True
    with pytest.raises(BlocksForeverError):
        device.stop()


def test_the_stand_in_swallows_write_errors_as_the_library_does(board, camera):
    camera.read(1.0)
    full = io.BytesIO()
    full.close()
    assert camera._request.save("main", full) is None
