from __future__ import annotations

import io
from dataclasses import replace
from datetime import date

import pytest

from dooryard.cli.main import main
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Outcome
from dooryard.journal import commands
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY


def context(row):
    return commands.JournalContext(
        row.state, POLICY, FakeClock(NOON.replace(hour=20)), io.StringIO(), "alder-row"
    )


def test_journal_says_what_it_did_and_where(row):
    row.add((NOON, FINCH, Outcome.TELL))
    at = context(row)
    assert commands.journal(at) == 0
    text = at.out.getvalue()
    assert "1 visit; 8 pages and 1 picture made, 0 removed" in text
    assert str(row.state / "journal" / "index.html") in text
    assert (row.state / "journal" / "index.html").is_file()


def test_position_is_in_the_pictures_only_if_asked_for(row):
    row.add((NOON, FINCH, Outcome.TELL))
    commands.journal(replace(context(row), with_position=True), row.site)
    [picture] = row.site.glob("pictures/*/*.jpg")
    assert b"51,45.1200N" in picture.read_bytes()


def test_mark_and_export(row, tmp_path):
    [one, two] = row.add((NOON, FINCH, Outcome.TELL), (NOON, BIRD, Outcome.TELL))
    at = context(row)
    assert commands.mark(at, one, "nobody", {}) == 0
    assert commands.mark(at, two, "keep", {}) == 0
    assert f"visit {one} marked: nobody was there" in at.out.getvalue()
    assert commands.export(at, tmp_path / "visits.csv", model="lite0", first=date(2026, 6, 14)) == 0
    assert commands.export(at, tmp_path / "package", model="lite0", last=date(2026, 6, 14)) == 0
    assert "2 visits, 2 pictures, 1 deployment in" in at.out.getvalue()
    assert (tmp_path / "package" / "datapackage.json").is_file()


@pytest.fixture
def box(row):
    """The box file of a state folder with two visits."""
    row.add((NOON, FINCH, Outcome.TELL), (NOON, BIRD, Outcome.TELL))
    file = row.state.parent / "box.toml"
    file.write_text('name = "alder-row"\nstate_folder = "state"\n[camera]\nkind = "folder"\nfolder = "x"\n')
    return file


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["journal", "--serve", "localhost", "--port", "99999"], 3, "no port 99999"),
        (["journal", "--serve", "localhost", "--minutes", "nan"], 3, "for nan minutes"),
        (["journal", "--serve", "localhost", "--minutes", "0"], 3, "for 0 minutes"),
        (["mark", "nope", "wren"], 3, "there is no visit 'nope'"),
        (["why", "nope"], 3, "there is no visit 'nope'"),
        (["mark", "last", ""], 3, "a name is readable text"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_a_remedy_and_nothing_is_built(box, capsys, words, code, says):
    assert main([words[0], "--box", str(box), *words[1:]]) == code
    said = capsys.readouterr().err
    assert says in said
    assert "to do: " in said
    assert not (box.parent / "state" / "journal").exists()


def test_a_file_where_a_folder_is_wanted(box, row, capsys):
    assert main(["journal", "--box", str(box), "--folder", str(box)]) == 3
    assert "is a file" in capsys.readouterr().err
    with pytest.raises(ConfigError, match="is a file"):
        commands.export(context(row), box, model="lite0")
    with pytest.raises(StoreError, match="the export to"):
        commands.export(context(row), box / "visits.csv", model="lite0")


def test_mark_takes_what_why_takes(box, capsys):
    assert main(["mark", "--box", str(box), "last", "zebra"]) == 0
    assert "it was a zebra (noted as a new name)" in capsys.readouterr().out
    assert main(["why", "--box", str(box), "last"]) == 0
    visit = capsys.readouterr().out.split("\n")[0].removeprefix("Visit ")
    for part in (visit, visit[-8:], visit.upper()):
        assert main(["mark", "--box", str(box), part, "bird"]) == 0
        said = capsys.readouterr().out
        assert visit in said
        assert "new name" not in said
        assert main(["why", "--box", str(box), part]) == 0
        assert visit in capsys.readouterr().out


def said(row, until=None, *, over=False):
    at = context(row)
    assert commands.mute(at, until, over=over) == 0
    return at.out.getvalue().strip()


def test_mute_is_asked_for_shown_and_ended(row):
    row.add((NOON, FINCH, Outcome.TELL))
    assert said(row) == "not muted"
    assert said(row, over=True) == "it was not muted"
    assert said(row, "tomorrow").startswith("muted until 06:00: only urgent alerts are sent")
    assert said(row, "2h").startswith("muted until 23:00: ")  # 20:00 in UTC is 21:00 there
    assert said(row) == "muted until 23:00"
    assert said(row, over=True).startswith("the mute has ended")
    assert said(row) == "not muted"


@pytest.mark.parametrize("when", ["soon", "40:00", "2020-01-01", "9999h", "0min"])
def test_a_mute_until_no_such_time_is_refused_and_changes_nothing(box, capsys, when):
    assert main(["mute", "--box", str(box), "--until", when]) == 3
    said = capsys.readouterr().err
    assert "to do: " in said
    assert main(["mute", "--box", str(box)]) == 0
    assert capsys.readouterr().out == "not muted\n"


def test_mute_from_the_command_line(box, capsys):
    assert main(["mute", "--box", str(box), "--until", "2h"]) == 0
    assert "only urgent alerts are sent" in capsys.readouterr().out
    assert main(["mute", "--box", str(box), "--end"]) == 0
    assert "ended" in capsys.readouterr().out
