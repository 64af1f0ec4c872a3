"""The command itself, on a recording in which nothing moves."""

from __future__ import annotations

import io
import json
from datetime import timedelta

import pytest

from dooryard.core.errors import ConfigError, DooryardError
from dooryard.rehearse.command import RehearseOptions, rehearse
from dooryard.rehearse.jobs import Progress
from fakes.recordings import write_frame
from fakes.rules import START

POLICY = (
    '[place]\ntime_zone = "Europe/London"\n[[rule]]\nname = "cats"\nvisitor = ["cat"]\ncooldown_min = 4\n'
)
TRUTH = "start,end,visitor\n2026-06-14T14:03:01,2026-06-14T14:03:02,cat\n"


@pytest.fixture
def frames(tmp_path):
    for k in range(5):
        write_frame(tmp_path / "frames" / f"{k}.jpg", START.wall + timedelta(seconds=k), size=(160, 120))
    (tmp_path / "a.toml").write_text(POLICY)
    (tmp_path / "b.toml").write_text(POLICY.replace("= 4", "= 9"))
    (tmp_path / "truth.csv").write_text(TRUTH)
    return tmp_path


def asked(frames, **more):
    out, progress = io.StringIO(), io.StringIO()
    options = RehearseOptions([str(frames / "frames")], frames / "a.toml", **more)
    assert rehearse(options, out, progress) == 0
    assert progress.getvalue() == "" or more.get("report")
    return out.getvalue()


def test_the_table(frames):
    text = asked(frames, truth=frames / "truth.csv")
    assert "nobody came" in text
    assert "5 frames in 4 s: 0 visits" in text
    assert "0 of 1 (0 to 79 %)" in text


def test_against_another(frames):
    text = asked(frames, against=frames / "b.toml")
    assert 'rule "cats": cooldown_min: 4 -> 9' in text
    assert "no decision differs, of 0" in text


def test_json_and_a_report(frames):
    text = asked(frames, against=frames / "b.toml", as_json=True, report=frames / "out" / "r.html")
    (recording,) = json.loads(text)["recordings"]
    assert recording["differences"]["visits"] == []
    assert "<h1>" in (frames / "out" / "r.html").read_text("utf-8")
    asked(frames, report=frames / "out")
    assert (frames / "out" / "rehearsal.html").exists()


def test_the_built_in_policy(frames):
    out = io.StringIO()
    assert rehearse(RehearseOptions([str(frames / "frames")]), out, io.StringIO()) == 0
    assert "by the built-in policy" in out.getvalue()


def test_warnings_go_beside_the_table(frames):
    (frames / "a.toml").write_text(POLICY + '[[rule]]\nname = "more cats"\nvisitor = ["cat"]\n')
    out, progress = io.StringIO(), io.StringIO()
    assert rehearse(RehearseOptions([str(frames / "frames")], frames / "a.toml"), out, progress) == 0
    assert '"more cats" can never fire' in progress.getvalue()
    assert "never fire" not in out.getvalue()


def test_what_is_wrong_is_said(frames):
    (frames / "a.toml").write_text(POLICY.replace("cooldown", "cooldwon"))
    with pytest.raises(ConfigError, match=r"a\.toml:6: rule\[1\]\.cooldwon_min: unknown key \(did you mean"):
        asked(frames)
    with pytest.raises(DooryardError):
        rehearse(RehearseOptions([str(frames / "nowhere")]), io.StringIO(), io.StringIO())


def test_a_report_that_cannot_be_written(frames):
    (frames / "file").write_text("")
    with pytest.raises(ConfigError, match="the report cannot be written"):
        asked(frames, report=frames / "file")


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_the_bar():
    out = Terminal()
    bar = Progress(out, 2)
    bar.at(0, 0.5)
    bar.at(1, 1.0)
    assert f"[{'=' * 30:<40}]  75%" in out.getvalue()
    bar.end()
    assert out.getvalue().endswith("\r")


def test_with_a_box_the_policys_sensors_must_be_its_own(frames):
    heat = '[[heat]]\nsensor = "enclosur"\nabove_c = 70\nuntil_below_c = 60\ncamera = "off"\n'
    (frames / "a.toml").write_text(POLICY + heat)
    (frames / "box.toml").write_text('[[sensor]]\nname = "enclosure"\nkind = "ds18b20"\n')
    with pytest.raises(ConfigError, match=r'no sensor "enclosur" \(did you mean "enclosure"\?\)'):
        asked(frames, box=frames / "box.toml")
    assert "nobody came" in asked(frames)  # without a box nobody knows what sensors there are


def test_a_truth_file_that_is_not_there(frames):
    with pytest.raises(ConfigError, match=r"(?s)none\.csv: no such file.*name a truth file"):
        asked(frames, truth=frames / "none.csv")


def test_a_box_file_is_no_policy(frames):
    (frames / "a.toml").write_text('[camera]\nkind = "scene"\n')
    with pytest.raises(ConfigError, match="this looks like a box file; a policy is wanted here"):
        asked(frames)
