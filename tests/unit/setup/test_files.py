"""What is written: modes, nothing lost, and what the service of an installed box needs."""

from __future__ import annotations

import os
import stat
import subprocess

import pytest

from dooryard.config import secrets
from dooryard.config.secrets import credentials_folder, resolve
from dooryard.core.errors import ConfigError, SinkError
from dooryard.setup import target
from fakes.setups import OXFORD, Script, Trial, run

PUSH = {"push": "https://push.alder-row.example/topic", "push-token-file": "thistle"}
MAIL = {
    "mail-to": "wren@alder-row.example",
    "mail-host": "mail.alder-row.example",
    "mail-password-file": "teasel",
}


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """A box as tools/install leaves it, below `tmp_path`; this user counts as root."""
    (tmp_path / "etc").mkdir(mode=0o750)
    monkeypatch.setattr(target, "INSTALLED", tmp_path / "etc")
    monkeypatch.setattr(target, "UNITS", tmp_path / "units")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return tmp_path


def test_secrets_are_files_of_their_own_that_only_their_owner_can_read(tmp_path):
    folder = tmp_path / "box"
    assert run({**OXFORD, **PUSH, **MAIL}, folder) == 0
    assert {path.name: mode(path) for path in (folder / "secrets").iterdir()} == {
        "push-token": 0o600,
        "mail-password": 0o600,
    }
    assert [mode(path) for path in (folder, folder / "secrets")] == [0o750, 0o700]
    assert [mode(folder / name) for name in ("box.toml", "policy.toml")] == [0o640, 0o640]
    text = (folder / "box.toml").read_text()
    assert "thistle" not in text
    assert "teasel" not in text
    assert f'bearer = "file:{folder}/secrets/push-token"' in text
    assert resolve(f"file:{folder}/secrets/mail-password", {}, None).reveal() == "teasel"


def test_secrets_are_not_said(tmp_path):
    trial = Trial()
    assert run({**OXFORD, **PUSH, **MAIL}, tmp_path, trial) == 0
    assert "thistle" not in trial.text
    assert "teasel" not in trial.text


@pytest.mark.parametrize("name", ["box.toml", "policy.toml", "secrets/push-token"])
def test_nothing_is_replaced_without_a_word(name, tmp_path):
    (tmp_path / "secrets").mkdir()
    (tmp_path / name).write_text("mine")
    with pytest.raises(ConfigError, match="there already") as raised:
        run({**OXFORD, **PUSH}, tmp_path)
    assert "--overwrite" in raised.value.remedy
    with pytest.raises(ConfigError, match="nothing was written"):
        run({**OXFORD, **PUSH}, tmp_path, script=Script(*[""] * 6, "no", *[""] * 6))
    assert (tmp_path / name).read_text() == "mine"
    assert sum(path.is_file() for path in tmp_path.rglob("*")) == 1


def test_with_a_word_the_old_ones_are_kept_with_their_date(tmp_path):
    for text in ("first", "second"):
        (tmp_path / "box.toml").write_text(text)
        (tmp_path / "box.toml").chmod(0o600)
        assert run({**OXFORD, "overwrite": "yes"}, tmp_path) == 0
    assert (tmp_path / "box.toml.2026-06-14").read_text() == "first"
    assert (tmp_path / "box.toml.2026-06-14-2").read_text() == "second"
    assert mode(tmp_path / "box.toml.2026-06-14") == 0o600
    assert "[camera]" in (tmp_path / "box.toml").read_text()
    assert (tmp_path / "policy.toml.2026-06-14").exists()  # the one that the first run wrote


def test_a_terminal_is_asked_before_anything_else(tmp_path):
    (tmp_path / "box.toml").write_text("mine")
    script = Script("yes", *[""] * 9)
    assert run({"where": "Oxford, GB"}, tmp_path, script=script) == 0
    assert script.prompts[0].startswith("Write them again [no]")
    assert (tmp_path / "box.toml.2026-06-14").read_text() == "mine"


def test_on_an_installed_box_the_service_gets_its_credentials_by_a_drop_in(installed):
    trial = Trial()
    pages = "/srv/garden pages"
    given = {**OXFORD, **PUSH, **MAIL, "pages": pages, "camera": "picamera"}
    assert run(given, None, trial) == 0
    drop_in = installed / "units" / "dooryard.service.d" / "50-setup.conf"
    etc = installed / "etc"
    assert drop_in.read_text().splitlines()[1:] == [
        "[Service]",
        f"LoadCredential=push-token:{etc}/secrets/push-token",
        f"LoadCredential=mail-password:{etc}/secrets/mail-password",
        f'ReadWritePaths="{pages}"',
    ]
    assert [mode(path) for path in (drop_in.parent, drop_in)] == [0o755, 0o644]
    box = (etc / "box.toml").read_text()
    assert 'bearer = "credential:push-token"' in box
    assert 'state_folder = "/var/lib/dooryard"' in box
    assert (etc / "box.toml").stat().st_gid == etc.stat().st_gid
    assert target.handed_over(installed / "units") == {"push-token", "mail-password"}
    steps = trial.text.partition("one after the other:\n")[2].split("\n")
    assert [step.strip() for step in steps] == [
        f"sudo dooryard check {etc}/box.toml {etc}/policy.toml",
        "sudo systemctl daemon-reload",
        "sudo systemctl enable dooryard",
        "sudo systemctl restart dooryard",
    ]


def test_a_drop_in_is_one_that_systemd_takes(installed):
    run({**OXFORD, **PUSH, "pages": "/srv/garden pages"}, None)
    unit = installed / "units" / "dooryard.service"
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    try:
        ran = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("systemd-analyze is not here")
    ours = [line for line in (ran.stdout + ran.stderr).splitlines() if "50-setup.conf" in line]
    assert ours == []


def test_without_secrets_and_pages_there_is_no_drop_in(installed):
    assert run(OXFORD, None) == 0
    assert not (installed / "units").exists()


def test_pages_where_the_service_sees_nothing_are_refused(installed):
    with pytest.raises(ConfigError, match="the service sees nothing of /home"):
        run({**OXFORD, "pages": "/home/wren/pages"}, None, looks=True)


def test_on_an_installed_box_only_root_writes(installed, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(ConfigError, match="only root may write") as raised:
        run(OXFORD, None)
    assert "sudo" in raised.value.remedy
    assert run(OXFORD, installed / "mine") == 0


def test_roots_commands_find_the_installed_secrets_by_themselves(tmp_path, monkeypatch):
    monkeypatch.setattr(secrets, "INSTALLED_SECRETS", tmp_path / "secrets")
    assert credentials_folder({}) is None
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "push-token").write_text("thistle\n")
    assert resolve("credential:push-token", {}, credentials_folder({})).reveal() == "thistle"
    assert credentials_folder({"CREDENTIALS_DIRECTORY": "/run/c"}) == secrets.Path("/run/c")
    monkeypatch.setattr(os, "access", lambda *_: False)  # who may not read them has none
    with pytest.raises(SinkError, match="was given no credentials"):
        resolve("credential:push-token", {}, credentials_folder({}))


def test_check_does_not_ask_for_a_credential_that_is_handed_over(installed, capsys):
    from dooryard.cli.main import main

    run({**OXFORD, **PUSH}, None)
    assert main(["check", str(installed / "etc/box.toml"), str(installed / "etc/policy.toml")]) == 0
    said = capsys.readouterr().out
    assert "wants the credential" not in said
    (installed / "units/dooryard.service.d/50-setup.conf").unlink()
    assert main(["check", str(installed / "etc/box.toml")]) == 0
    assert 'wants the credential "push-token"' in capsys.readouterr().out
