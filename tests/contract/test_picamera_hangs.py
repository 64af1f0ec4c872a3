"""A camera that hangs in its library holds up nothing else, on the real picamera2 (see fakes.real_picamera2).

The stand-in keeps the interpreter's lock while it hangs, as the real bindings do. Bounds are generous to a
busy machine, and far below the hang.
"""

from __future__ import annotations

import signal
import time
from contextlib import closing
from datetime import timedelta

import psutil
import pytest

from daemon_runs import receiver, start, write_files
from dooryard.camera.base import CameraStalledError
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.core.clock import SystemClock
from dooryard.core.errors import CameraError
from dooryard.history.database import AnnotationDatabase
from dooryard.outbox.store import Store
from dooryard.service import shutdown
from fakes.real_picamera2 import StandIn, until
from unit.outbox.builders import alert

HANG_S = 60
pytestmark = pytest.mark.process


@pytest.fixture
def board(tmp_path):
    return StandIn(tmp_path)


def took_s(work) -> float:
    begun_s = time.monotonic()
    work()
    return time.monotonic() - begun_s


def test_a_hang_at_the_start_is_told_and_the_camera_comes_back(board):
    camera = board.camera(open_within_s=1.0, close_within_s=0.5)
    board.set(hang_at_start_s=HANG_S)
    with pytest.raises(CameraError, match="did not start within 1 s"):
        camera.open()
    hung = camera._leaving.pid
    board.set(hang_at_start_s=0)
    camera.open()
    assert not psutil.pid_exists(hung)  # one at a time can have the camera
    assert camera.read(5.0).number == 1
    camera.close()


def test_a_hang_at_the_stop_ends_with_its_process(board, caplog):
    camera = board.camera(close_within_s=0.5)
    camera.open()
    camera.read(5.0)
    board.set(hang_at_stop_s=HANG_S)
    assert took_s(camera.close) < 1.0
    until(lambda: camera._leaving.gone(0.1))
    assert "the driver did not release it: signal SIGABRT" in caplog.text
    board.set(hang_at_stop_s=0)
    camera.open()
    assert camera.read(5.0).number == 2
    camera.close()


def test_a_hang_says_where_it_hangs(board, capfd):
    camera = board.camera(close_within_s=0.5)
    camera.open()
    board.set(hang_at_stop_s=HANG_S)
    camera.close()
    until(lambda: camera._leaving.gone(0.1))
    told = capfd.readouterr().err
    assert "Fatal Python error: Aborted" in told
    assert "in hang" in told


def test_a_hang_between_frames_is_a_stall_in_its_time(board):
    camera = board.camera(close_within_s=0.5)
    camera.open()
    camera.read(5.0)
    board.set(hang_between_frames_s=HANG_S)
    until(lambda: board.noted("hangs"))
    begun_s = time.monotonic()
    with pytest.raises(CameraStalledError):
        while True:
            camera.read(0.5)
    assert time.monotonic() - begun_s < 2.0
    board.set(hang_between_frames_s=0)
    camera.close()
    camera.open()
    assert camera.read(5.0).number > 1
    camera.close()


@pytest.mark.parametrize("where", ["at_start", "at_stop", "between_frames"])
def test_the_loop_is_never_kept_for_two_seconds(board, where):
    """What a turn of the loop does with the camera: so long the button waits at most."""
    clock = SystemClock()
    supervisor = CameraSupervisor(
        board.camera(open_within_s=2.0, close_within_s=1.0),
        Patience(stall_after_s=1.0, reopen_after_s=(0.1,)),
    )
    supervisor.open()
    assert supervisor.read(clock.now().mono_s, 5.0) is not None
    board.set(**{"hang_between_frames_s": HANG_S, f"hang_{where}_s": HANG_S})
    turns_s = []

    def turn() -> None:
        turns_s.append(took_s(lambda: supervisor.read(clock.now().mono_s, 1.0)))

    begun_s = time.monotonic()
    while time.monotonic() - begun_s < 6.0:  # over a stall, a close and an opening that hangs
        turn()
    board.set(hang_between_frames_s=0, hang_at_start_s=0, hang_at_stop_s=0)
    until(lambda: turn() or not supervisor.trouble, 30.0)
    supervisor.close()
    assert max(turns_s) < 1.5  # and half a second is waited for in trouble


@pytest.mark.parametrize("where", ["at_stop", "between_frames"])
def test_a_halt_powers_off_in_its_time(board, where):
    camera = board.camera()
    camera.open()
    camera.read(5.0)
    board.set(**{f"hang_{where}_s": HANG_S})
    if where == "between_frames":
        until(lambda: board.noted("hangs"))
    clock, done = SystemClock(), []
    actions = {step.stage: lambda _within_s, stage=step.stage: done.append(stage) for step in shutdown.plan()}
    actions[shutdown.Stage.STOP_CAMERA] = lambda _within_s: camera.close()
    begun_s = time.monotonic()
    halted = shutdown.carry_out(shutdown.plan(), actions, clock)
    assert halted.powering_off
    assert halted.faults == ()
    assert time.monotonic() - begun_s < 2.0
    camera._leaving._process.kill()
    until(lambda: camera._leaving.gone(0.1))


def test_twenty_openings_leave_nothing_behind(board):
    """Descriptors, threads and processes, of this process; the other one is a new one each time."""
    camera, me = board.camera(), psutil.Process()

    def used() -> tuple[int, int, int]:
        return me.num_fds(), me.num_threads(), len(me.children())

    camera.open()
    camera.read(5.0).large()
    camera.close()
    assert camera._leaving.gone(5.0)
    before = used()
    for _ in range(20):
        camera.open()
        camera.read(5.0).large()
        camera.close()
        assert camera._leaving.gone(5.0)
    # A thread that was joined stays in the kernel's list for a moment longer.
    until(lambda: all(now <= then for now, then in zip(used(), before, strict=True)))


@pytest.mark.parametrize("where", ["at_stop", "between_frames"])
def test_the_daemon_told_to_stop_does_so_while_its_camera_hangs(board, tmp_path, where):
    home = tmp_path / "home"
    home.mkdir()
    write_files(home, tmp_path, sinks="", camera='kind = "picamera"\nframes_per_s = 20\n')
    daemon = start(home, **board.environ())
    until(lambda: board.noted("crops"), 60.0)
    until((home / "state").exists)
    lines = iter(daemon.stderr.readline, "")
    assert any("ready" in line for line in lines)
    board.set(**{f"hang_{where}_s": HANG_S})
    if where == "between_frames":
        until(lambda: board.noted("hangs"))
    begun_s = time.monotonic()
    daemon.send_signal(signal.SIGTERM)
    _out, told = daemon.communicate(timeout=30.0)
    assert daemon.returncode == 0, told
    assert time.monotonic() - begun_s < 10.0  # of them five are the library's own, to let go of the camera
    assert not [child for child in psutil.process_iter(["cmdline"]) if board_is_used_by(child, board)]


def test_a_first_opening_that_hangs_keeps_nothing_waiting(board, tmp_path):
    """What waits for a receiver goes out meanwhile, and a stop is heeded at once."""
    home = tmp_path / "home"
    home.mkdir()
    board.set(hang_at_start_s=HANG_S)
    with receiver(tmp_path / "received") as (sink, received):
        write_files(home, tmp_path, sinks=sink, camera='kind = "picamera"\nframes_per_s = 20\n')
        with closing(Store.open(home / "state", SystemClock())) as store:
            store.add_alert(alert(1))
        daemon = start(home, **board.environ())
        until(received.exists, 60.0)
        begun_s = time.monotonic()
        daemon.send_signal(signal.SIGTERM)
        _out, told = daemon.communicate(timeout=30.0)
    assert daemon.returncode == 0, told
    assert time.monotonic() - begun_s < 10.0
    assert " ready " not in told


def test_a_mute_holds_while_the_first_opening_hangs(board, tmp_path):
    """It is heard before anything can go out."""
    home = tmp_path / "home"
    home.mkdir()
    board.set(hang_at_start_s=HANG_S)
    with receiver(tmp_path / "received") as (sink, received):
        write_files(home, tmp_path, sinks=sink, camera='kind = "picamera"\nframes_per_s = 20\n')
        with closing(Store.open(home / "state", SystemClock())) as store:
            store.add_alert(alert(1))
        wall = SystemClock().now().wall
        with closing(AnnotationDatabase(home / "state")) as notes:
            notes.mute(wall + timedelta(hours=2), wall)
        daemon = start(home, **board.environ())
        assert any("muted until" in line for line in iter(daemon.stderr.readline, ""))
        until(lambda: board.noted("hangs"))
        daemon.send_signal(signal.SIGTERM)  # what may go out is given five seconds for it
        _out, told = daemon.communicate(timeout=30.0)
    assert daemon.returncode == 0, told
    assert not received.exists()


def board_is_used_by(process: psutil.Process, board: StandIn) -> bool:
    try:
        return process.environ().get("DOORYARD_STANDIN_BOARD") == board.environ()["DOORYARD_STANDIN_BOARD"]
    except psutil.Error:
        return False
