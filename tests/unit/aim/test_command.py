"""`dooryard aim` from its box file to its end: on fake and drawn cameras, with a clock of the test's own."""

from __future__ import annotations

import os
import re
import signal
import socket
import threading

import pytest

from dooryard.aim.command import AimRequest, aim, aimed_at, is_shared
from dooryard.box.file import parse_box
from dooryard.cli.main import main
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError, ConfigError
from dooryard.core.records import Box
from dooryard.service import build
from dooryard.web.listen import Where
from unit.aim.test_service import Systemd

FAKE = '[camera]\nkind = "fake"\n'
SCENE = '[camera]\nkind = "scene"\nlarge_width = 160\nlarge_height = 120\nseconds = 3\n'
BOARD = "[camera]\n"


def box_of(text):
    return parse_box(text, "box.toml").value


def aimed(text, tmp_path, systemd=None, told=None, stop=None, **others):
    asked = AimRequest(Where("127.0.0.1", 0, 9, "the live picture"), **others)
    run = systemd or Systemd("inactive")
    say = (told if told is not None else []).append
    return aim(box_of(text), tmp_path, asked, FakeClock(), run, say, stop)


@pytest.mark.parametrize("camera", [FAKE, SCENE])
def test_it_says_where_and_ends_by_itself(camera, tmp_path):
    told = []
    assert aimed(camera, tmp_path, told=told) == 0
    link, port = re.search(r"(http://127\.0\.0\.1:(\d+)/enter/\S{32})", told[0]).groups()
    assert "plain HTTP" in told[0]
    assert link.startswith("http://127.0.0.1:")
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", int(port)), timeout=5)
    assert list(tmp_path.iterdir()) == []  # nothing is kept


def test_each_time_another_token(tmp_path):
    told = []
    aimed(FAKE, tmp_path, told=told)
    aimed(FAKE, tmp_path, told=told)
    assert len({re.search(r"/enter/(\S+)", text).group(1) for text in told}) == 2


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_in_order(number, tmp_path):
    stop = threading.Event()

    class Says(list):
        def append(self, text):
            os.kill(os.getpid(), number)

    before = signal.getsignal(number)
    assert aimed(FAKE, tmp_path, told=Says(), stop=stop) == 0
    assert stop.is_set()
    assert signal.getsignal(number) == before


def test_a_camera_that_nobody_shares_asks_nobody(tmp_path):
    for text in (FAKE, SCENE, FAKE + "blackout = [[0.0, 0.0, 0.1, 0.1]]\n"):
        assert not is_shared(build.camera(box_of(text), tmp_path, FakeClock()))
    for text in (BOARD, BOARD + "blackout = [[0.0, 0.0, 0.1, 0.1]]\n"):
        assert is_shared(build.camera(box_of(text), tmp_path, FakeClock()))
    systemd = Systemd()
    assert aimed(FAKE, tmp_path, systemd) == 0
    assert systemd.orders == []


def test_the_service_is_started_again_though_the_camera_does_not_open(tmp_path, monkeypatch):
    class Away:
        name, live = "a camera that is away", True

        def open(self, after=None):
            raise CameraError("it is away", "look for it")

        def close(self):
            pass

    monkeypatch.setattr(build, "camera", lambda *_: Away())
    systemd, told = Systemd(), []
    with pytest.raises(CameraError, match="it is away"):
        aimed(BOARD, tmp_path, systemd, told, stop_service=True)
    assert systemd.orders == ["stop", "start"]
    assert told[-1] == "the service watches again"


@pytest.mark.parametrize("frames_per_s", [0, -1, 5.1, float("nan")])
def test_no_such_pace(frames_per_s, tmp_path):
    with pytest.raises(ConfigError, match="times a second"):
        aimed(FAKE, tmp_path, frames_per_s=frames_per_s)


def test_what_is_drawn_counts_from_the_region_that_pictures_show():
    text = BOARD + "region = [0.25, 0.25, 0.75, 0.75]\nblackout = [[0.0, 0.0, 0.3, 0.3]]\n"
    found = aimed_at(box_of(text), FakeClock(), threading.Event(), 0.0)
    assert found.shows == Box(0.25, 0.25, 0.75, 0.75)
    assert found.blacked_out == ((0.0, 0.0, 0.3, 0.3),)


def test_the_command_line_refuses_before_it_reads_the_box(capsys):
    assert main(["aim", "--serve", "0.0.0.0", "--box", "nowhere.toml"]) == 3
    assert "the live picture is not served on all addresses" in capsys.readouterr().err
