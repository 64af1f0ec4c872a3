"""Box files and policies that can never work are problems; those that were surely not meant are warnings."""

from __future__ import annotations

import io

import pytest

from attacks.configs import PLACE, PROBLEMS, RULE, WARNINGS, checked
from dooryard.cli.check import check


@pytest.mark.parametrize("name", PROBLEMS)
def test_what_can_never_work_is_a_problem(tmp_path, name):
    text, key = PROBLEMS[name]
    code, said = checked(tmp_path, text)
    assert code == 3, said
    [line] = [line for line in said.splitlines() if "without problems" not in line and "warning" not in line]
    assert f"{key}: " in line


@pytest.mark.parametrize("name", WARNINGS)
def test_what_was_surely_not_meant_is_a_warning_and_a_problem_when_strict(tmp_path, name):
    text, key = WARNINGS[name]
    code, said = checked(tmp_path, text)
    assert code == 0, said
    [line] = [line for line in said.splitlines() if line.endswith("(a warning)")]
    assert f"{key}: " in line
    assert ", 1 warning" in said
    assert checked(tmp_path, text, strict=True)[0] == 3


def test_a_sound_pair_has_neither(tmp_path):
    code, said = checked(tmp_path, PLACE + RULE, strict=True)
    assert code == 0
    assert [line.partition(": ")[2] for line in said.splitlines()] == [
        "a box file without problems",
        "a policy file without problems",
    ]


@pytest.mark.parametrize(
    ("zone", "longitude"),
    [  # far from their zone's sun, longitudes from memory
        ("Asia/Shanghai", 75.5),
        ("Europe/Madrid", -8.9),
        ("Pacific/Kiritimati", -157.4),
        ("America/Anchorage", -168.0),
        ("Asia/Kolkata", 95.0),
        ("Pacific/Apia", -172.0),
        ("Atlantic/Reykjavik", -24.0),
    ],
)
def test_places_that_keep_another_time_than_the_sun_are_not_warned_of(tmp_path, zone, longitude):
    place = f'[place]\nlatitude = 20.0\nlongitude = {longitude}\ntime_zone = "{zone}"\n'
    assert checked(tmp_path, place + RULE, strict=True)[0] == 0


def test_what_the_sample_box_leaves_to_its_owner_is_named(tmp_path):
    from fakes.boxes import SAMPLE

    out = io.StringIO()
    assert check([SAMPLE], out) == 0
    left = [line for line in out.getvalue().splitlines() if line.endswith("(to be filled in)")]
    assert [line.split(": ")[1] for line in left] == [
        "sink[1].url", "sink[1].secret", "sink[2].host", "sink[2].from", "sink[2].to", "sink[2].password",
    ]  # fmt: skip
    assert "LoadCredential=phone-secret:/etc/dooryard/secrets/phone-secret" in out.getvalue()
    assert "6 to be filled in" in out.getvalue()
    assert check([SAMPLE], io.StringIO(), strict=True) == 3
