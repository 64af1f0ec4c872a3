"""The newcomer's path, by the commands: record, rehearse, change a cooldown, see the difference."""

from __future__ import annotations

import argparse
import signal

import pytest

from dooryard import trials

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
    "words",
    [
        ("hours", "a.toml", "--days", "0"),
        ("record", "week", "--frames-per-s", "0"),
        ("record", "week", "--hours", "inf"),
        ("rehearse",),
    ],
)
def test_what_makes_no_sense(command, words, capsys):
    with pytest.raises(SystemExit) as caught:
        command(*words)
    assert caught.value.code == 2
    assert "error: " in capsys.readouterr().err
