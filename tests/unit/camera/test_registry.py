"""Cameras from plain values, and what is said of values that do not fit."""

import sys

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError
from dooryard.service.cameras import CAMERAS, build


def said(kind, **options):
    with pytest.raises(ConfigError) as caught:
        build(kind, FakeClock(), **options)
    return caught.value.what, caught.value.remedy


def test_a_kind_that_does_not_exist():
    what, remedy = said("floder")
    assert what == "there is no camera kind 'floder' (did you mean \"folder\"?)"
    assert remedy == f"use one of the kinds: {', '.join(sorted(CAMERAS))}"


def test_an_option_that_does_not_exist():
    what, remedy = said("fake", scirpt="f")
    assert what == "the camera kind 'fake' has no option 'scirpt' (did you mean \"script\"?)"
    assert remedy == "use one of the options: frames_per_s, live, luma_size, repeat, script"


def test_an_option_that_is_missing():
    assert said("folder") == ("the camera kind 'folder' needs the option 'folder'", "add it")


@pytest.mark.parametrize(
    ("size", "what"),
    [
        ([320], "1: Field required"),
        ([320, 240, 3], "Tuple should have at most 2 items after validation, not 3"),
        ([320.0, 240], "0: Input should be a valid integer"),
        (["320", "240"], "0: Input should be a valid integer"),
        ([320, 0], "1: Input should be greater than 0"),
        (320, "Input should be a valid tuple"),
    ],
)
def test_sizes_are_two_whole_numbers(size, what):
    text, remedy = said("fake", luma_size=size)
    assert text == f"the camera kind 'fake': luma_size is {size!r}: {what}"
    assert remedy == "mend this option; a size is [width, height] in pixels"


@pytest.mark.parametrize(
    ("kind", "options", "what"),
    [
        ("fake", {"frames_per_s": "5"}, "frames_per_s is '5': Input should be a valid number"),
        ("fake", {"live": "yes"}, "live is 'yes': Input should be a valid boolean"),
        ("folder", {"folder": 7}, "folder is 7: Input should be a valid string"),
        ("picamera", {"buffers": 4.0}, "buffers is 4.0: Input should be a valid integer"),
        ("scene", {"frames": 0}, "frames is 0: Input should be greater than 0"),
    ],
)
def test_values_of_another_type(kind, options, what):
    assert said(kind, **options)[0] == f"the camera kind {kind!r}: {what}"


def test_the_same_clock_times_a_live_fake():
    clock = FakeClock()
    camera = build("fake", clock, script="f", frames_per_s=2.0)
    camera.open()
    before_s = clock.now().mono_s
    camera.read(1.0)
    assert clock.now().mono_s - before_s == 0.5


def test_building_a_board_s_camera_does_not_import_its_library(monkeypatch):
    monkeypatch.setitem(sys.modules, "picamera2", None)
    assert build("picamera", FakeClock()).live


def test_a_scene_from_plain_values():
    visit = {"species": "blackbird", "start_s": 2.0, "stay_s": 3.0, "on_feeder": True}
    camera = build(
        "scene", FakeClock(), seed=3, start="2026-03-01T09:00:00+00:00", feeder="tube", visits=[visit]
    )
    assert camera.plan.settings.start.isoformat() == "2026-03-01T09:00:00+00:00"
    assert camera.plan.settings.visits[0].species == "blackbird"


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"sed": 1}, "has no option 'sed' (did you mean \"seed\"?)"),
        ({"feeder": "tub"}, "feeder: Input should be 'tube', 'cage', 'tray', 'none' or 'any'"),
        ({"start": "2026-03-01T09:00"}, "start must be an aware datetime"),
        ({"rain": 2.0}, "rain must be within 0 and 1"),
        ({"visits": [{"sepcies": "crow"}]}, "has no option 'sepcies' (did you mean \"species\"?)"),
        ({"wind_m_s": "strong"}, "wind_m_s: Input should be a valid number"),
    ],
)
def test_scenes_that_cannot_be(options, what):
    assert what in said("scene", **options)[0]
