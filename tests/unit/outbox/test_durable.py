from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from dooryard.core.atomic_files import FileCalls, make_folders, write_file
from unit.outbox.builders import JPEG, Killed, StepDisk


def names(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir()]


STEPS = ["create", "write", "write", "sync", "close", "rename", "sync_folder"]


def test_the_steps_and_their_order(tmp_path: Path) -> None:
    disk = StepDisk()
    write_file(tmp_path / "a.jpg", JPEG, disk)
    assert disk.steps == STEPS
    assert (tmp_path / "a.jpg").read_bytes() == JPEG
    assert names(tmp_path) == ["a.jpg"]


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("number", range(len(STEPS)))
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_a_failing_step_leaves_the_old_content_and_no_leftover(
    tmp_path: Path, number: int, code: int, late: bool
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"old")
    disk = StepDisk()
    disk.arm(number, lambda: OSError(code, os.strerror(code)), late=late)
    with pytest.raises(OSError) as caught:
        write_file(path, JPEG, disk)
    assert caught.value.errno == code
    renamed = STEPS[number] == "sync_folder" or (STEPS[number] == "rename" and late)
    assert path.read_bytes() == (JPEG if renamed else b"old")
    assert names(tmp_path) == ["a.jpg"]


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("number", range(len(STEPS)))
def test_killed_or_cut_off_at_any_step_the_file_is_old_or_new(
    tmp_path: Path, number: int, late: bool
) -> None:
    folder = tmp_path / "held"
    folder.mkdir()
    disk = StepDisk()
    disk.arm(number, late=late)
    with pytest.raises(Killed):
        write_file(folder / "a.jpg", JPEG, disk)
    for copy in (disk.after_kill(folder, tmp_path / "kill"), disk.after_power_cut(folder, tmp_path / "cut")):
        found = copy / "a.jpg"
        assert not found.exists() or found.read_bytes() == JPEG


def test_an_error_while_cleaning_up_is_a_note_on_the_first(tmp_path: Path) -> None:
    class Stubborn(FileCalls):
        def sync(self, descriptor: int) -> None:
            raise OSError(errno.EIO, "first")

        def remove(self, path: Path) -> None:
            raise OSError(errno.EROFS, "second")

    with pytest.raises(OSError, match="first") as caught:
        write_file(tmp_path / "a.jpg", JPEG, Stubborn())
    assert "second" in caught.value.__notes__[0]


def test_no_descriptor_stays_open(tmp_path: Path) -> None:
    before = len(names(Path("/proc/self/fd")))
    for number in range(len(STEPS)):
        disk = StepDisk()
        disk.arm(number, lambda: OSError(errno.EIO, "no"))
        with pytest.raises(OSError):
            write_file(tmp_path / "a.jpg", JPEG, disk)
        if STEPS[number] == "close":  # the step itself was the closing, and the fault replaced it
            before += 1
    assert len(names(Path("/proc/self/fd"))) == before


def test_folders_are_flushed_into_their_parents(tmp_path: Path) -> None:
    disk = StepDisk()
    make_folders(tmp_path / "2026" / "06", disk)
    assert disk.steps == ["make_folder", "sync_folder"] * 2
    make_folders(tmp_path / "2026" / "06", disk)
    assert len(disk.steps) == 4
