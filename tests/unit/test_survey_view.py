"""The picture of the whole view that a survey keeps."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from dooryard.box.file import parse_box
from dooryard.camera.fake import FakeCamera
from dooryard.core.clock import FakeClock
from dooryard.core.errors import CameraError, ConfigError
from dooryard.core.records import Box
from dooryard.policy.schema import Policy
from dooryard.survey import assemble
from dooryard.survey.lines import Verdict
from dooryard.survey.view import check_name, drawn, view_lines

GREY = np.full((240, 320, 3), 128, np.uint8)
YELLOW, RED = (255, 214, 0), 150
HALF = [[(0.0, 0.0), (0.5, 0.0), (0.5, 1.0), (0.0, 1.0)]]


def test_the_border_lies_around_the_region_and_leaves_its_inside_alone():
    seen = np.asarray(drawn(GREY, Box(0.25, 0.25, 0.75, 0.75), ()))
    yellow = np.argwhere((seen == YELLOW).all(axis=2))
    assert tuple(yellow.min(axis=0)) == (60, 80)
    assert tuple(yellow.max(axis=0)) == (179, 239)
    assert (seen[65:175, 85:235] == 128).all()
    assert (seen[:55] == 128).all()


def test_a_region_of_another_shape_is_drawn_as_wide_as_it_is_used():
    seen = np.asarray(drawn(GREY, Box(0.4, 0.25, 0.6, 0.75), ()))
    columns = np.argwhere((seen == YELLOW).all(axis=2))[:, 1]
    assert (columns.min(), columns.max()) == (80, 239)  # 4:3, as the pictures are


def test_what_is_ignored_lies_within_the_region():
    seen = np.asarray(drawn(GREY, Box(0.5, 0.0, 1.0, 0.5), HALF))
    reddish = seen[:, :, 0].astype(int) - seen[:, :, 2] > 20
    shaded = reddish & ~(seen == YELLOW).all(axis=2)
    assert np.argwhere(shaded)[:, 1].min() >= 158
    assert np.argwhere(shaded)[:, 1].max() <= 241


def test_the_line_says_what_is_drawn(tmp_path):
    file = tmp_path / "view.png"
    (line,) = view_lines(FakeCamera("f" * 20), file, Box(0.2, 0.2, 0.8, 0.8), HALF)
    assert line.verdict is Verdict.GOOD
    assert "yellow" in line.text
    assert "red" in line.text
    with Image.open(file) as kept:
        assert kept.size == (640, 480)


def test_a_camera_that_gives_nothing_and_a_file_that_cannot_be():
    with pytest.raises(CameraError, match="no frame came"):
        view_lines(FakeCamera("", repeat=False), "view.jpg", None, ())
    with pytest.raises(ConfigError, match="a JPEG or a PNG"):
        check_name(assemble.Path("view.gif"))
    with pytest.raises(ConfigError, match="no such folder"):
        check_name(assemble.Path("/nowhere/view.jpg"))


def test_the_survey_keeps_one_only_where_it_is_asked_for(tmp_path):
    box = parse_box('name = "Alder Row"\n[camera]\nkind = "fake"\n', "box.toml").value
    sensors = type("Built", (), {"sensors": [], "absent": []})()

    def abouts(view):
        asked = assemble.checks(box, tmp_path, Policy(), FakeClock(), {}, sensors=sensors, view=view)
        return [check.about for check in asked]

    assert "view" not in abouts(None)
    assert "view" in abouts(tmp_path / "view.jpg")
