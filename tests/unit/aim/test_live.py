"""The loop on fakes: how long, how often, for whom."""

from __future__ import annotations

import io
import threading
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from dooryard.aim.live import Gallery, LiveLoop, Shot, jpeg_of
from dooryard.camera.fake import FakeCamera
from dooryard.camera.garden.families import PRESETS
from dooryard.camera.scene import SceneCamera
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError
from dooryard.core.records import Exposure
from dooryard.gate import GateSettings

GREY = np.full((48, 64, 3), 90, np.uint8)


def shot(number):
    return Shot(number, b"jpeg", GREY, (), False, Exposure())


class Counted(Gallery):
    """A gallery that is always watched and keeps every shot."""

    __slots__ = ("shots",)

    def show(self, shot):
        self.shots.append((self.clock.now().mono_s, shot))

    def is_watched(self):
        return True


def looped(script, seconds, frames_per_s=2.0, stop=None, recorded=None, camera_per_s=10.0):
    clock = FakeClock()
    camera = recorded or FakeCamera(script, live=True, repeat=True, frames_per_s=camera_per_s, clock=clock)
    gallery = Counted(clock)
    gallery.shots = []
    loop = LiveLoop(CameraSupervisor(camera, Patience()), GateSettings(), gallery, clock, frames_per_s)
    began_s = clock.now().mono_s
    loop.run(stop or threading.Event(), began_s + seconds)
    return [(at_s - began_s, each) for at_s, each in gallery.shots], clock.now().mono_s - began_s


def test_it_ends_when_the_time_is_up():
    shots, took_s = looped("f", 20)
    assert took_s == pytest.approx(20, abs=0.11)
    assert [each.number for _, each in shots] == list(range(1, len(shots) + 1))


@pytest.mark.parametrize(
    ("frames_per_s", "camera_per_s"), [(0.5, 10), (2, 10), (5, 10), (2, 5), (2, 2), (2, 3), (2, 2.1)]
)
def test_as_many_pictures_a_second_as_asked_for(frames_per_s, camera_per_s):
    shots, _ = looped("f", 20, frames_per_s, camera_per_s=camera_per_s)
    assert len(shots) == pytest.approx(20 * frames_per_s, abs=2)
    assert min(later - sooner for (sooner, _), (later, _) in pairwise(shots)) > 0.6 / frames_per_s
    assert len(shots) <= 20 * frames_per_s + 1


def test_a_camera_slower_than_asked_for_shows_all_it_has():
    assert len(looped("f", 20, 5.0, camera_per_s=2)[0]) == pytest.approx(40, abs=1)


def test_it_ends_when_told_to():
    stop = threading.Event()
    stop.set()
    assert looped("f", 60, stop=stop)[0] == []


def test_it_learns_the_view_and_says_so():
    shots, _ = looped("f", 30)
    assert shots[0][1].learning
    assert not shots[-1][1].learning


def test_a_camera_that_stalls_and_comes_back(caplog):
    shots, took_s = looped("ff" + "s" * 12 + "f" * 80, 20)  # closed after 5 s without a frame
    assert took_s == pytest.approx(20, abs=0.6)
    assert max(later - sooner for (sooner, _), (later, _) in pairwise(shots)) > 5
    assert shots[-1][0] > 15
    assert "camera back" in caplog.text


def test_a_camera_that_does_not_open():
    with pytest.raises(CameraError, match="absent"):
        looped("af", 60)


def test_a_recording_is_shown_as_fast_as_it_was_taken_and_again_from_its_beginning():
    garden = replace(
        PRESETS["alder row afternoon"](), width=160, height=120, frames_per_s=10.0, duration_s=3.0
    )
    shots, took_s = looped("", 12, recorded=SceneCamera(garden))
    assert took_s == pytest.approx(12, abs=0.5)
    assert len(shots) == pytest.approx(24, abs=4)


def test_a_recording_without_a_frame():
    with pytest.raises(CameraError, match="has no frame"):
        looped("", 60, recorded=FakeCamera(""))


def test_nothing_is_shown_while_nobody_looks():
    clock = FakeClock()
    camera = FakeCamera("f", live=True, repeat=True, clock=clock)
    gallery = Gallery(clock)
    LiveLoop(CameraSupervisor(camera, Patience()), GateSettings(), gallery, clock, 2.0).run(
        threading.Event(), clock.now().mono_s + 5
    )
    assert gallery.shot is None


def test_two_may_look_and_a_third_when_one_has_gone():
    clock = FakeClock()
    gallery = Gallery(clock)
    assert gallery.admit("one")
    assert gallery.admit("two")
    assert not gallery.admit("three")
    assert gallery.admit("one")
    clock.advance(7)
    assert gallery.admit("two")
    clock.advance(2)  # the first has not asked for nine seconds
    assert gallery.admit("three")
    assert not gallery.admit("one")
    gallery.leave("two")
    assert gallery.admit("one")
    clock.advance(60)
    assert not gallery.is_watched()


def test_each_viewer_gets_each_picture_once():
    gallery = Gallery(FakeClock())
    for name in ("one", "two"):
        gallery.admit(name)
    assert gallery.next("one", 0) is None
    gallery.show(shot(1))
    assert gallery.next("one", 0).number == 1
    assert gallery.next("one", 0) is None
    assert gallery.next("two", 0).number == 1
    gallery.show(shot(2))
    gallery.show(shot(3))
    assert gallery.next("one", 0).number == 3


def test_who_waits_is_woken_by_a_picture():
    gallery, got = Gallery(FakeClock()), []
    gallery.admit("one")
    thread = threading.Thread(target=lambda: got.append(gallery.next("one", 30)))
    thread.start()
    gallery.show(shot(1))
    thread.join(30)
    assert [each.number for each in got] == [1]


@pytest.mark.parametrize("size", [(1640, 1232), (616, 820), (4056, 3040)])
def test_the_picture_that_is_sent_is_bounded(size):
    noise = np.random.default_rng(1).integers(0, 256, (size[1], size[0], 3), np.uint8)
    data = jpeg_of(noise)
    assert len(data) <= 250_000  # noise is the worst there is
    with Image.open(io.BytesIO(data)) as image:
        assert max(image.size) <= 960
        assert image.width / image.height == pytest.approx(size[0] / size[1], abs=0.01)
