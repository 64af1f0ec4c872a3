"""Without --box the commands take the installed box file, else the caller's own in the working folder."""

from __future__ import annotations

import os

import pytest

from dooryard.cli import main, shared
from dooryard.core.errors import ConfigError

BOX = 'name = "Alder Row box"\n[camera]\nkind = "fake"\n'


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """Where an installed box file would stand; the working folder is another one, and empty."""
    (tmp_path / "etc").mkdir()
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setattr(shared, "INSTALLED", tmp_path / "etc" / "box.toml")
    return tmp_path / "etc" / "box.toml"


def test_the_installed_one_goes_first_and_is_named(installed, tmp_path, capsys):
    installed.write_text(BOX)
    installed.with_name("policy.toml").write_text('[place]\nname = "Alder Row"\n')
    (tmp_path / "here" / "box.toml").write_text(BOX)
    assert main.main(["why", "last"]) == 6  # nothing was stored yet
    said = capsys.readouterr().err
    assert f"box file: {installed}; policy: {installed.with_name('policy.toml')}\n" in said
    assert f"there is no store in {installed.parent}/state" in said


def test_else_the_callers_own_in_the_working_folder(installed, tmp_path, capsys):
    (tmp_path / "here" / "box.toml").write_text(BOX)
    assert main.main(["outbox"]) == 6
    said = capsys.readouterr().err
    assert "box file: box.toml; policy: none\n" in said
    assert "no --policy given" in said


def test_somebody_elses_is_not_taken(installed, tmp_path, monkeypatch):
    (tmp_path / "here" / "box.toml").write_text(BOX)
    monkeypatch.setattr(os, "geteuid", lambda: 4711)
    with pytest.raises(ConfigError, match="belongs to another user"):
        shared.found_files()


def test_neither_is_said_with_what_to_do(installed, capsys):
    assert main.main(["journal"]) == 3
    said = capsys.readouterr().err
    assert f"neither {installed} nor ./box.toml" in said
    assert "--box FILE" in said


def test_the_program_alone_says_what_to_do_first(capsys):
    assert main.main([]) == 0
    said = capsys.readouterr().out
    for command in ("record", "rehearse", "check", "survey", "why"):
        assert f"dooryard {command} " in said
    assert max(map(len, said.splitlines())) <= 80
