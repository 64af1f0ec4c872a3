"""From the box file to a web host: the keys, the secret's permissions, and `try-sinks` by the real rsync."""

from __future__ import annotations

import io
import os
import shutil
from pathlib import Path

import pytest

from dooryard.box.file import parse_box
from dooryard.cli.main import main
from dooryard.cli.try_sinks import try_sinks
from dooryard.core.clock import FakeClock
from dooryard.core.errors import SinkError
from dooryard.policy.schema import Policy
from dooryard.service import build
from unit.sinks.test_publish import NEAR, program

BOX = """
state_folder = "state"

[camera]
kind = "fake"

[[sink]]
kind = "publish"
name = "web"
host = "garden.example"
user = "wren"
folder = "{folder}/far away"
key = "{key}"
known_hosts = "hosts"
port = 2222
deadline_s = 60
"""
RULE = '[[rule]]\nname = "any"\nvisitor = ["anything"]\nsend_to = ["{to}"]\n'


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "hosts").write_text("garden.example ssh-ed25519 AAAA\n")
    (tmp_path / "key").write_text("a key of its own\n")
    (tmp_path / "key").chmod(0o600)
    (tmp_path / "state/journal").mkdir(parents=True)
    (tmp_path / "state/journal/index.html").write_text("<p>Alder Row</p>")
    return tmp_path


def boxed(place: Path, key: str | None = None):
    text = BOX.replace("{folder}", str(place)).replace("{key}", key or f"file:{place / 'key'}")
    (place / "box.toml").write_text(text)
    return parse_box(text, "box.toml").value


def tried(place: Path, environ: dict[str, str] | None = None, key: str | None = None) -> tuple[int, str]:
    out = io.StringIO()
    sinks = build.sinks(boxed(place, key), place, environ or {})
    return try_sinks(sinks, "alder-row", FakeClock().now(), bytes(16), out, clock_set=True), out.getvalue()


def near_ssh(place: Path, monkeypatch: pytest.MonkeyPatch, text: str = NEAR) -> None:
    (place / "bin").mkdir()
    program(place / "bin/ssh", text.replace("{folder}", str(place)))
    monkeypatch.setenv("PATH", f"{place / 'bin'}:{os.environ['PATH']}")


@pytest.mark.skipif(shutil.which("rsync") is None, reason="the program rsync is not installed")
@pytest.mark.parametrize("by", ["file", "credential"])
def test_try_sinks_brings_the_journal_to_the_host(
    place: Path, monkeypatch: pytest.MonkeyPatch, by: str
) -> None:
    near_ssh(place, monkeypatch)
    key = "credential:key" if by == "credential" else None
    assert tried(place, {"CREDENTIALS_DIRECTORY": str(place)}, key) == (
        0, "web: sent (published on garden.example)\n",
    )  # fmt: skip
    assert (place / "far away/index.html").read_text() == "<p>Alder Row</p>"
    called = (place / "called").read_text().splitlines()
    assert called[called.index("-i") + 1] == str(place / "key")
    assert called[called.index("-p") + 1] == "2222"
    assert f'UserKnownHostsFile="{place / "hosts"}"' in called
    assert "a key of its own" not in "".join(called)


@pytest.mark.skipif(shutil.which("rsync") is None, reason="the program rsync is not installed")
def test_a_host_that_does_not_know_the_key_is_said_with_its_remedy(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    near_ssh(place, monkeypatch, "echo 'wren@garden.example: Permission denied (publickey).' >&2; exit 255")
    code, text = tried(place)
    assert code == SinkError.exit_code
    # Why, is in the words of whichever of the two programs noticed first.
    assert "web: not sent (garden.example: " in text
    assert "(wren@garden.example: Permission denied (publickey).)" in text
    assert "to do: the host does not know the key" in text


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_a_key_that_others_may_read_is_refused(place: Path, mode: int) -> None:
    (place / "key").chmod(mode)
    with pytest.raises(SinkError, match=f"has mode {mode:04o}: others than its owner may read it"):
        build.sinks(boxed(place), place, {})


def test_what_is_missing_is_said_at_the_start(place: Path) -> None:
    (place / "hosts").unlink()
    with pytest.raises(SinkError, match="hosts is missing"):
        build.sinks(boxed(place), place, {})
    (place / "key").unlink()
    with pytest.raises(SinkError, match="key cannot be read"):
        build.sinks(boxed(place), place, {})
    with pytest.raises(SinkError, match="the credential 'key' is wanted"):
        build.sinks(boxed(place, "credential:key"), place, {})


def test_check_finds_what_is_wrong_and_policies_do_not_name_it(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    boxed(place)
    text = (place / "box.toml").read_text()
    (place / "box.toml").write_text(text.replace(f"file:{place / 'key'}", "env:KEY"))
    assert main(["check", str(place / "box.toml")]) == 3
    assert "a key cannot come from an environment variable" in capsys.readouterr().out
    boxed(place)
    (place / "policy.toml").write_text(RULE.replace("{to}", "all"))
    assert main(["check", str(place / "box.toml"), str(place / "policy.toml")]) == 0
    (place / "policy.toml").write_text(RULE.replace("{to}", "web"))
    assert main(["check", str(place / "box.toml"), str(place / "policy.toml")]) == 3
    assert 'rule[1].send_to[1]: the box has no sink "web"' in capsys.readouterr().out


def test_visits_are_not_told_to_it(place: Path) -> None:
    assert build.conditions(boxed(place), Policy(), clock_set=True).sinks == frozenset()
