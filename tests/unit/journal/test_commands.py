from __future__ import annotations

import io
from datetime import date

from dooryard.clock import FakeClock
from dooryard.journal import commands
from dooryard.records import Outcome
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY


def house(row):
    return commands.House(row.state, POLICY, FakeClock(NOON.replace(hour=20)), io.StringIO(), "alder-row")


def test_journal_says_what_it_did_and_where(row):
    row.add((NOON, FINCH, Outcome.TELL))
    at = house(row)
    assert commands.journal(at) == 0
    text = at.out.getvalue()
    assert "1 visit; 8 pages and 1 picture made, 0 removed" in text
    assert str(row.state / "journal" / "index.html") in text
    assert (row.state / "journal" / "index.html").is_file()


def test_position_is_in_the_pictures_only_if_asked_for(row):
    row.add((NOON, FINCH, Outcome.TELL))
    commands.journal(house(row), row.site, with_position=True)
    [picture] = row.site.glob("pictures/*/*.jpg")
    assert b"51,45.1200N" in picture.read_bytes()


def test_mark_and_export(row, tmp_path):
    [one, two] = row.add((NOON, FINCH, Outcome.TELL), (NOON, BIRD, Outcome.TELL))
    at = house(row)
    assert commands.mark(at, one, "nobody", {}) == 0
    assert commands.mark(at, two, "keep", {}) == 0
    assert f"visit {one} marked: nobody was there" in at.out.getvalue()
    assert commands.export(at, tmp_path / "visits.csv", model="lite0", first=date(2026, 6, 14)) == 0
    assert commands.export(at, tmp_path / "package", model="lite0", last=date(2026, 6, 14)) == 0
    assert "2 visits, 2 pictures, 1 deployment in" in at.out.getvalue()
    assert (tmp_path / "package" / "datapackage.json").is_file()
