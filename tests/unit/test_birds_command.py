"""`dooryard birds`: what an owner reads."""

from __future__ import annotations

import pytest

from dooryard.cli.main import main
from dooryard.core.errors import EXIT_OK, ConfigError

PLACE = '[place]\nname = "Alder Row"\nlatitude = 51.752\nlongitude = -1.258\ntime_zone = "Europe/London"\n'


def printed(capsys, *words):
    assert main(["birds", *map(str, words)]) == EXIT_OK
    return capsys.readouterr().out


def policy(tmp_path, text):
    path = tmp_path / "policy.toml"
    path.write_text(text)
    return path


def test_it_lists_who_may_be_named_here_and_how_to_change_that(tmp_path, capsys):
    out = printed(capsys, "--policy", policy(tmp_path, PLACE))
    assert "european robin (Erithacus rubecula; also robin, robin redbreast)\n" in out
    assert "american robin" not in out
    assert "birds may be told by name at Alder Row (by latitude and longitude: europe)." in out
    assert "Listed, but not known to the model: " in out
    assert "redwing (Turdus iliacus)" in out
    assert 'birds = ["here", "painted bunting", "not purple finch"]' in out
    assert "wrong at times" in out


def test_it_shows_what_was_added_and_struck_out(tmp_path, capsys):
    plain = printed(capsys, "--policy", policy(tmp_path, PLACE))
    wanted = 'birds = ["here", "american robin", "not house sparrow"]\n'
    out = printed(capsys, "--policy", policy(tmp_path, PLACE + wanted))
    assert "american robin (Turdus migratorius" in out
    assert "house sparrow (" in plain
    assert "house sparrow (" not in out


def test_all_lists_whatever_the_model_knows(capsys):
    out = printed(capsys, "--all")
    assert "african darter (Anhinga rufa)" in out
    assert "925 birds are known to the model." in out


@pytest.mark.parametrize(
    ("text", "box"), [('[place]\nname = "Somewhere"\n', ""), (PLACE, '[classifier]\nspecies_card = "none"\n')]
)
def test_it_says_why_no_bird_is_named(tmp_path, capsys, text, box):
    (tmp_path / "box.toml").write_text(box)
    out = printed(capsys, "--policy", policy(tmp_path, text), "--box", tmp_path / "box.toml")
    assert out.startswith("No bird is told by name: give [place] latitude and longitude")


def test_it_asks_which_place_is_meant(capsys):
    code = main(["birds"])
    assert code == ConfigError("x", "y").exit_code
    assert "--policy FILE" in capsys.readouterr().err
