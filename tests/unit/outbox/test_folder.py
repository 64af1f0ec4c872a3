from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.errors import AlreadyRunningError, StoreError
from dooryard.outbox import schema
from dooryard.outbox.store import Store
from unit.outbox.builders import JPEG, MONO_S, START, alert, at, decision, visit

CLOCK = FakeClock(START, MONO_S)


def filled(folder: Path, count: int = 3) -> None:
    store = Store.open(folder, CLOCK)
    for number in range(count):
        one = visit(number)
        store.record_visit(one, JPEG, decision(one), [alert(number, one)])
    store.close()


def test_one_process_at_a_time(tmp_path: Path) -> None:
    store = Store.open(tmp_path, CLOCK)
    with pytest.raises(AlreadyRunningError, match=r"process \d+ already works") as caught:
        Store.open(tmp_path, CLOCK)
    assert "stop it first" in caught.value.remedy
    script = (
        "import sys; from pathlib import Path\n"
        "from dooryard.core.clock import SystemClock; from dooryard.outbox.store import Store\n"
        "from dooryard.core.errors import AlreadyRunningError\n"
        "try: Store.open(Path(sys.argv[1]), SystemClock())\n"
        "except AlreadyRunningError as error: sys.exit(error.exit_code)\n"
    )
    assert subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False).returncode == 8
    store.close()
    store.close()
    Store.open(tmp_path, CLOCK).close()


@pytest.mark.parametrize("damage", ["header", "middle", "short", "a column's name"])
def test_a_damaged_database_is_set_aside_and_said(tmp_path: Path, damage: str) -> None:
    filled(tmp_path, 40)
    database = tmp_path / "dooryard.sqlite3"
    data = bytearray(database.read_bytes())
    if damage == "header":
        data[:100] = b"x" * 100
    elif damage == "middle":
        data[4096 : 4096 * 5] = bytes(range(256)) * 64
    elif damage == "a column's name":  # to SQLite itself the file is sound
        data[:] = data.replace(b"        clock_set INTEGER", b"        clock0set INTEGER")
    else:
        data = data[: len(data) // 2]
    database.write_bytes(data)
    store = Store.open(tmp_path, CLOCK)
    name = "dooryard-damaged-20260614T130000Z.sqlite3"
    assert store.notes == [
        f"the database was damaged: it is set aside as {name} with its pictures, and a fresh one begun"
    ]
    assert (tmp_path / name).stat().st_size == len(data)
    assert len(list((tmp_path / "pictures-damaged-20260614T130000Z").rglob("*.jpg"))) == 40
    assert store.counts() == {}
    assert store.record_visit(visit(1), JPEG, decision(visit(1)), [])
    store.close()


def test_what_the_owner_added_to_the_database_is_left_alone(tmp_path: Path) -> None:
    filled(tmp_path)
    with closing(sqlite3.connect(tmp_path / "dooryard.sqlite3")) as db:
        db.execute("CREATE VIEW busy AS SELECT group_name, count(*) FROM visits GROUP BY group_name")
        db.commit()
    store = Store.open(tmp_path, CLOCK)
    assert store.notes == []
    store.close()


def test_at_most_two_damaged_sets_are_kept(tmp_path: Path) -> None:
    for _ in range(4):
        filled(tmp_path, 1)
        (tmp_path / "dooryard.sqlite3").write_bytes(b"x" * 5000)
        store = Store.open(tmp_path, CLOCK)
        store.close()
    assert len(list(tmp_path.glob("dooryard-damaged-*.sqlite3"))) == 2
    assert len(list(tmp_path.glob("pictures-damaged-*"))) == 2
    assert any("to keep the folder in bounds" in note for note in store.notes)


def test_a_database_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    filled(tmp_path)
    db = sqlite3.connect(tmp_path / "dooryard.sqlite3")
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(StoreError, match="version 99") as caught:
        Store.open(tmp_path, CLOCK)
    assert "newer program" in caught.value.remedy
    assert not list(tmp_path.glob("*damaged*"))


def test_leftovers_orphans_and_missing_pictures_are_mended_and_said(tmp_path: Path) -> None:
    filled(tmp_path)
    day = tmp_path / "pictures/2026/06/14"
    ids = [visit(number).id for number in range(3)]
    (day / f"{ids[0]}.jpg").unlink()
    (day / f"{ids[1]}.jpg").write_bytes(JPEG[:100])
    stray = f"{visit(7).id}.jpg"
    (day / stray).write_bytes(JPEG)
    (day / f"{visit(8).id}-2.jpg.tmp").write_bytes(b"")
    store = Store.open(tmp_path, CLOCK)
    assert store.notes == [
        "1 unfinished file removed",
        f"1 picture (2026/06/14/{stray}) belonged to no stored visit and went away",
        f"1 picture (2026/06/14/{ids[0]}.jpg) had gone missing: the visit stays without it",
        f"1 picture (2026/06/14/{ids[1]}.jpg) had the wrong length and went away: the visit stays without it",
    ]
    stored = [store.visit(each) for each in ids]
    assert [each.picture if each else "" for each in stored] == [None, None, f"2026/06/14/{ids[2]}.jpg"]
    assert len(store.pending("phone")) == 3
    assert [path.name for path in day.iterdir()] == [f"{ids[2]}.jpg"]
    store.close()
    again = Store.open(tmp_path, CLOCK)
    assert again.notes == []
    again.close()


def test_only_files_that_the_program_made_are_removed(tmp_path: Path) -> None:
    """An owner's files in a state folder stay, wherever they stand and whatever they are called."""
    filled(tmp_path)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    mine = [
        tmp_path / "pictures/holiday.jpg",
        tmp_path / "pictures/2026/06/14/holiday.jpg",
        tmp_path / "pictures/2026/06/14/notes.tmp",
        tmp_path / "pictures/2026/summer/a.jpg",
        tmp_path / "work/report.tmp",
        tmp_path / "journal.tmp",
        elsewhere / f"{visit(9).id}.jpg",
    ]
    for path in mine:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"mine")
    (tmp_path / "pictures/2026/07").symlink_to(elsewhere)
    (tmp_path / "pictures/2026/08").mkdir()
    (tmp_path / "pictures/2026/08/14").symlink_to(elsewhere)
    store = Store.open(tmp_path, CLOCK)
    assert store.notes == []
    store.upkeep(0.0, 0, at(10**7).wall)
    store.close()
    for _ in range(4):  # set aside, and the oldest sets are given up
        (tmp_path / "dooryard.sqlite3").write_bytes(b"x" * 5000)
        Store.open(tmp_path, CLOCK).close()
    found = {path.name for path in tmp_path.rglob("*") if path.is_file() and path.read_bytes() == b"mine"}
    assert found >= {path.name for path in mine}


def outside(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that must not be taken."""
    folder = tmp_path / "folder"
    folder.mkdir()
    if name == "somebody's":
        (folder / "report.txt").touch()
    elif name == "home":
        monkeypatch.setenv("HOME", str(folder))
    elif name == "a link to home":
        monkeypatch.setenv("HOME", str(folder))
        (tmp_path / "link").symlink_to(folder)
        return tmp_path / "link"
    elif name == "pictures elsewhere":
        (folder / "pictures").symlink_to(tmp_path)
    elif name == "a file for pictures":
        (folder / "pictures").touch()
    else:
        return Path(name)
    return folder


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("/", "of the system"),
        ("/etc", "of the system"),
        ("/usr/share/dooryard", "of the system"),
        ("/var/lib", "of the system"),
        ("home", "a home folder"),
        ("a link to home", "a home folder"),
        ("somebody's", "files that are not Dooryard's, such as 'report.txt'"),
        ("pictures elsewhere", "is a link"),
        ("a file for pictures", "is a file, where a folder for pictures goes"),
    ],
)
def test_a_folder_that_is_somebodys_is_refused_and_left_alone(name, why, tmp_path, monkeypatch) -> None:
    folder = outside(name, tmp_path, monkeypatch)
    before = sorted(path for path in tmp_path.rglob("*"))
    with pytest.raises(StoreError, match=why) as caught:
        Store.open(folder, CLOCK)
    assert caught.value.remedy
    assert sorted(path for path in tmp_path.rglob("*")) == before


def test_each_version_leads_to_the_next_or_stays_as_it_was(tmp_path: Path) -> None:
    filled(tmp_path)
    db = sqlite3.connect(tmp_path / "dooryard.sqlite3", isolation_level=None)
    bad = (
        *schema.STEPS,
        ("ALTER TABLE visits ADD COLUMN mark TEXT", "ALTER TABLE nowhere ADD COLUMN x TEXT"),
    )
    with pytest.raises(sqlite3.OperationalError):
        schema.migrate(db, bad)
    assert db.execute("PRAGMA user_version").fetchone() == (len(schema.STEPS),)
    good = (*schema.STEPS, ("ALTER TABLE visits ADD COLUMN mark TEXT",), ("UPDATE visits SET mark = 'seen'",))
    schema.migrate(db, good)
    schema.migrate(db, good)
    assert db.execute("PRAGMA user_version").fetchone() == (len(schema.STEPS) + 2,)
    assert db.execute("SELECT DISTINCT mark FROM visits").fetchall() == [("seen",)]
    db.close()


def test_an_empty_database_file_counts_as_new(tmp_path: Path) -> None:
    # What a power cut may leave of a file that was just created.
    (tmp_path / "dooryard.sqlite3").touch()
    store = Store.open(tmp_path, CLOCK)
    assert store.notes == []
    store.close()


def test_a_state_folder_that_cannot_be_made_is_an_error_with_a_remedy(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError) as caught:
        Store.open(tmp_path / "file" / "state", CLOCK)
    assert caught.value.remedy
