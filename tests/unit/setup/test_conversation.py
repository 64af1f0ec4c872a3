"""The conversation with a scripted console, and without anybody to ask."""

from __future__ import annotations

import pytest

from dooryard.box.file import parse_box
from dooryard.core.errors import ConfigError, SinkError
from dooryard.policy.parse import parse_policy
from dooryard.sinks.base import SendOutcome, SendResult
from fakes.setups import OXFORD, Script, Trial, run

REFUSED = SendResult(SendOutcome.REFUSED, "HTTP 404 Not Found")
PUSH = {"push": "https://push.alder-row.example/topic"}


def written(folder):
    box = parse_box((folder / "box.toml").read_text(), "box.toml").value
    return box, parse_policy((folder / "policy.toml").read_text(), "policy.toml").value


def test_without_a_word_more_than_where_the_defaults_hold(tmp_path):
    assert run(OXFORD, tmp_path) == 0
    box, policy = written(tmp_path)
    assert (box.camera.kind, box.sink, box.name) == ("scene", (), "the garden box")
    assert policy.place.time_zone == "Europe/London"
    assert [rule.visitor for rule in policy.rule] == [("bird",), ("squirrel",)]


def test_a_newcomer_who_takes_what_is_offered(tmp_path):
    script = Script("Alder Row", "oxford", "", "", "", "", "", "")
    assert run({}, tmp_path, script=script) == 0
    assert script.lines == []
    assert [prompt.partition(" [")[0] for prompt in script.prompts] == [
        "Name of the place", "Nearest town, or its coordinates:", "Which one", "Time zone", "Tell me of",
        "Quiet hours", "Where to", "Camera",
    ]  # fmt: skip
    assert written(tmp_path)[1].place.name == "Alder Row"


def test_mistakes_are_said_and_asked_again(tmp_path):
    trial = Trial()
    script = Script(
        "?", "Alder Row", "Oxfrod", "999, 0", "", "oxford, gb", "Lodnon", "", "dragon", "bird",
        "tonight", "never", "pigeon", "nothing", "scene",
    )  # fmt: skip
    assert run({}, tmp_path, trial, script) == 0
    for said in ('A message then says "A squirrel at Alder Row', 'did you mean "Oxford"', "not on the globe",
                 "An answer is needed here", 'no time zone is called "Lodnon"', 'nobody is called "dragon"',
                 "two times such as 22:00-07:00", "write one of push, mail, folder, nothing"):  # fmt: skip
        assert said in trial.text, said
    _box, policy = written(tmp_path)
    assert (policy.hours.quiet, policy.rule[0].name) == ((), "bird")


def test_degrees_the_wrong_way_round_are_noticed(tmp_path):
    trial = Trial()
    script = Script("", "-1.26, 51.75", "no", "51.75, -1.26", "", "", "", "", "")
    assert run({}, tmp_path, trial, script) == 0
    assert "would be near Oxford, United Kingdom" in trial.text
    assert written(tmp_path)[1].place.latitude == 51.75


def test_a_push_is_tried_changed_and_tried_again(tmp_path):
    trial = Trial([REFUSED])
    given = {
        **OXFORD,
        "name": "Alder Row",
        "time-zone": "Europe/London",
        "tell": "bird",
        "quiet": "never",
        **PUSH,
    }
    script = Script(
        "json", "", "yes", "change", "https://push.alder-row.example/other", "", "", "", "yes", "scene"
    )
    assert run(given, tmp_path, trial, script, looks=True) == 0
    assert "HTTP 404 Not Found" in trial.text
    assert "copy it again from the receiver" in trial.text
    assert trial.sinks == ["phone", "phone"]
    (sink,) = written(tmp_path)[0].sink
    assert (sink.url, sink.body) == ("https://push.alder-row.example/other", "json")


def test_it_is_sent_only_after_a_word(tmp_path, monkeypatch):
    from dooryard.setup import trials

    monkeypatch.setattr(trials, "sink_lines", lambda peers: [])
    trial = Trial()
    assert run({**OXFORD, **PUSH, "camera": "scene"}, tmp_path / "a", trial, looks=True) == 0
    assert run({**OXFORD, **PUSH, "camera": "scene"}, tmp_path / "b", trial, looks=True, test=False) == 0
    assert trial.sinks == []
    assert run({**OXFORD, **PUSH, "camera": "scene"}, tmp_path / "c", trial, looks=True, test=True) == 0
    assert trial.sinks == ["phone"]


@pytest.mark.parametrize(
    ("given", "flag"),
    [
        ({}, "--where"),
        ({"where": "oxford"}, "--where"),
        ({"where": "Nowhereville"}, "--where"),
        ({"where": "0, 0"}, "--where"),
        ({**OXFORD, "to": "push"}, "--push"),
        ({**OXFORD, "to": "mail", "mail-to": "wren@alder-row.example"}, "--mail-host"),
        ({**OXFORD, "push": "http://push.alder-row.example/"}, "--push"),
        ({**OXFORD, "tell": "dragon"}, "--tell"),
        ({**OXFORD, "quiet": "00:00-24:00"}, "--quiet"),
        ({**OXFORD, "camera": "folder"}, "--recording"),
        ({**OXFORD, "time-zone": "Europe/Lodnon"}, "--time-zone"),
    ],
)
def test_where_nobody_is_there_an_error_names_the_flag_and_nothing_is_written(given, flag, tmp_path):
    with pytest.raises(ConfigError) as raised:
        run(given, tmp_path / "new")
    assert flag in str(raised.value)
    assert raised.value.remedy
    assert not (tmp_path / "new").exists()


def test_without_a_terminal_and_without_yes_a_missing_answer_is_an_error(tmp_path):
    with pytest.raises(ConfigError, match="standard input is no terminal"):
        run(OXFORD, tmp_path, yes=False)


def test_a_trial_in_vain_where_nobody_is_there_is_an_error_with_the_flag(tmp_path):
    with pytest.raises(ConfigError, match=r"--push: refused \(HTTP 404") as raised:
        run({**OXFORD, **PUSH}, tmp_path / "new", Trial([REFUSED]), looks=True, test=True)
    assert "--no-try" in raised.value.remedy
    assert raised.value.exit_code == 3
    assert raised.value.exit_code != SinkError.exit_code  # as check's
    with pytest.raises(ConfigError, match=r"--camera: .*no folder|--camera"):
        run({**OXFORD, "camera": "folder", "recording": str(tmp_path / "none")}, tmp_path / "new", looks=True)
    assert not (tmp_path / "new").exists()


def test_the_end_of_input_stops_it_with_nothing_written(tmp_path):
    with pytest.raises(ConfigError, match="nothing was written"):
        run({}, tmp_path / "new", script=Script("Alder Row"))
    assert not (tmp_path / "new").exists()


def test_a_folder_of_pages_is_made_and_written_to(tmp_path):
    trial = Trial()
    pages = tmp_path / "www" / "garden"
    assert run({**OXFORD, "pages": str(pages), "camera": "scene"}, tmp_path, trial, looks=True) == 0
    assert list(pages.iterdir()) == []
    assert "made, and written to" in trial.text
    (tmp_path / "file").write_text("")
    with pytest.raises(ConfigError, match="--pages"):
        run({**OXFORD, "pages": str(tmp_path / "file")}, tmp_path / "b", trial, looks=True)


def test_the_town_of_the_systems_time_zone_is_offered(tmp_path):
    from dooryard.setup.conversation import _town_of

    assert _town_of("Europe/London") == "London, GB"
    assert _town_of("Etc/UTC") is None
    assert _town_of(None) is None
