from __future__ import annotations

import pytest

from dooryard.camera.base import CameraStalledError
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.core.errors import CameraError
from helpers import frame

PATIENCE = Patience(stall_after_s=5, reopen_after_s=(1, 2), give_up_after_s=60)


class Scripted:
    """A live camera: f a frame, s a stall, e an error; `absent` makes open fail that many times."""

    name, live = "scripted", True

    def __init__(self, script, absent=0):
        self.script, self.absent = iter(script), absent
        self.log = []

    def open(self, after=None):
        self.log.append("open")
        if self.absent:
            self.absent -= 1
            raise CameraError("no camera", "plug it in")

    def read(self, timeout_s):
        act = next(self.script)
        self.log.append(act)
        if act == "s":
            raise CameraStalledError
        if act == "e":
            raise CameraError("gone", "plug it in")
        return frame(1, 0)

    def close(self):
        self.log.append("close")


def test_a_camera_absent_at_the_start_is_final():
    with pytest.raises(CameraError, match="no camera"):
        CameraSupervisor(Scripted("", absent=1), PATIENCE).open()


def test_a_short_stall_is_waited_out():
    supervisor = CameraSupervisor(camera := Scripted("fssf"), PATIENCE)
    supervisor.open()
    assert [supervisor.read(t, 1.0) is not None for t in (0, 1, 2, 3)] == [True, False, False, True]
    assert camera.log.count("close") == 0


def test_a_long_stall_reopens():
    supervisor = CameraSupervisor(camera := Scripted("fsssf"), PATIENCE)
    supervisor.open()
    for t in (0, 1, 3, 6):
        supervisor.read(t, 1.0)
    assert supervisor.trouble
    assert camera.log[-1] == "close"
    assert supervisor.read(6.1, 1.0) is not None
    assert camera.log[-2:] == ["open", "f"]
    assert not supervisor.trouble


def test_reopening_backs_off():
    supervisor = CameraSupervisor(camera := Scripted("e" + "f", absent=0), PATIENCE)
    supervisor.open()
    supervisor.read(0, 1.0)
    camera.absent = 2
    opened = []
    for tenth in range(60):
        before = camera.log.count("open")
        supervisor.read(tenth / 10, 1.0) if supervisor.trouble else None
        if camera.log.count("open") > before:
            opened.append(tenth / 10)
    assert opened == [0.0, 1.0, 3.0]


def test_a_camera_that_stays_away_ends_the_service_with_a_remedy():
    supervisor = CameraSupervisor(camera := Scripted("e"), PATIENCE)
    supervisor.open()
    supervisor.read(0, 1.0)
    camera.absent = 10_000
    with pytest.raises(CameraError, match="gave no frame for 60 s") as caught:
        for t in range(200):
            supervisor.read(float(t), 1.0)
    assert "cable" in caught.value.remedy


def test_rest_closes_and_wake_opens():
    supervisor = CameraSupervisor(camera := Scripted("ff"), PATIENCE)
    supervisor.open()
    supervisor.rest()
    assert camera.log[-1] == "close"
    supervisor.wake(3600.0)
    assert supervisor.read(3600.0, 1.0) is not None
    assert not supervisor.trouble
