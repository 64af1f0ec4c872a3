"""The newcomer's path, by the commands: record, rehearse, change a cooldown, see the difference."""

from __future__ import annotations

import argparse
import signal

import pytest

from dooryard.cli import trials
from dooryard.core.errors import ConfigError

POLICY = """[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"
[hours]
watch = { from = "sunrise", to = "sunset" }
[[rule]]
name = "anybody"
visitor = "anything"
cooldown_min = 4
"""


@pytest.fixture
def command(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    parser = argparse.ArgumentParser()
    trials.add(parser.add_subparsers(required=True))
    (tmp_path / "a.toml").write_text(POLICY)
    (tmp_path / "b.toml").write_text(POLICY.replace("= 4", "= 1"))

    def run(*words):
        arguments = parser.parse_args(words)
        return arguments.command(arguments)

    yield run
    for number, handler in before.items():
        signal.signal(number, handler)


def test_from_a_recording_to_the_difference(command, tmp_path, capsys):
    (tmp_path / "box.toml").write_text('[camera]\nkind = "scene"\nseconds = 3\n')
    assert command("record", "week", "--box", "box.toml", "--frames-per-s", "5") == 0
    assert capsys.readouterr().out == "15 frames in week\n"
    assert (
        command("rehearse", "week", "--policy", "a.toml", "--truth", "week/truth.csv", "--report", "out") == 0
    )
    assert "15 frames in 3 s: 0 visits" in capsys.readouterr().out
    assert command("rehearse", "week", "--policy", "a.toml", "--against", "b.toml") == 0
    assert 'rule "anybody": cooldown_min: 4 -> 1' in capsys.readouterr().out
    assert (tmp_path / "out" / "rehearsal.html").exists()


def test_hours(command, capsys):
    assert command("hours", "a.toml", "--from", "2026-06-14", "--days", "2") == 0
    out = capsys.readouterr().out
    assert "Sun 14 Jun 2026" in out
    assert "Mon 15 Jun 2026" in out
    assert command("hours", "a.toml") == 0
    assert len(capsys.readouterr().out.split("\n")) == 11


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hours", "a.toml", "--days", "0"), '"0" is not valid; write a whole number, 1 or more'),
        (("hours", "a.toml", "--days", "x"), '"x" is not valid; write a whole number, 1 or more'),
        (("hours", "a.toml", "--from", "tomorrow"), '"tomorrow" is not a date; write one such as 2026-06-14'),
        (("record", "week", "--frames-per-s", "0"), "write a number above 0"),
        (("record", "week", "--hours", "inf"), "write a number above 0"),
        (("record", "week", "--hours", "x"), '"x" is not valid; write a number above 0, such as 1.5'),
        (("rehearse",), "required"),
    ],
)
def test_what_makes_no_sense(command, words, said, capsys):
    with pytest.raises(SystemExit) as caught:
        command(*words)
    assert caught.value.code == 2
    assert said in capsys.readouterr().err


SHORT = '[camera]\nkind = "scene"\nseconds = 0.2\n'


def test_a_second_recording_needs_a_folder_of_its_own(command, tmp_path, capsys):
    (tmp_path / "box.toml").write_text(SHORT)
    assert command("record", "week", "--box", "box.toml", "--frames-per-s", "1") == 0
    assert capsys.readouterr().out == "1 frame in week\n"
    assert command("rehearse", "week") == 0
    assert "1 frame in 0 s: 0 visits" in capsys.readouterr().out
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(ConfigError, match=r"(?s)week already holds a recording.*name another folder"):
        command("record", "week", "--box", "box.toml")
    with pytest.raises(ConfigError, match="already holds a recording"):  # one of its hours
        command("record", next(str(path) for path in (tmp_path / "week").iterdir() if path.is_dir()))
    assert sorted(tmp_path.rglob("*")) == before


def test_an_empty_folder_will_do(command, tmp_path, capsys):
    (tmp_path / "box.toml").write_text(SHORT)
    (tmp_path / "week").mkdir()
    assert command("record", "week", "--box", "box.toml", "--frames-per-s", "1") == 0


@pytest.mark.parametrize("name", ["a.toml", "a.toml/week"])
def test_a_file_is_no_folder(command, name):
    with pytest.raises(ConfigError, match=r"(?s)a\.toml is a file.*name a folder to record into"):
        command("record", name)


def test_a_box_file_has_no_hours(command, tmp_path):
    (tmp_path / "box.toml").write_text(SHORT)
    with pytest.raises(ConfigError, match="looks like a box file"):
        command("hours", "box.toml")
