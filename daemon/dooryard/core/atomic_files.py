"""Files that are whole or not there, whatever instant the power goes.

`write_file` writes a temporary file in the same folder, flushes it to the card, renames it into place and
flushes the folder. So a reader, and the next start, finds the old content or the new, never a mixture.

What this cannot do:

- A card that says "written" before it is can still lose or tear what it acknowledged.
- The rename is atomic on local POSIX file systems (ext4, f2fs, btrfs, xfs). FAT and network file systems
  promise less.
- When the flush of the *folder* fails, the new file is in place and whole, but may be gone after a power
  cut. The error is raised; the caller must not count on the file.
- After a failed flush of the *file* the data may be lost though a second flush succeeds. So a file is
  never flushed twice: it is dropped, and the caller writes it again.
- One writer per folder: the temporary name is fixed by the file's name.

Background: the fsync and rename pages of POSIX.1-2017.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

TEMP_SUFFIX = ".tmp"


class FileCalls:
    """The calls that durable files are made of, one method each, so that a test can fail any of them."""

    def make_folder(self, path: Path) -> None:
        path.mkdir(mode=0o750, exist_ok=True)  # another thread may have been quicker

    def create(self, path: Path) -> int:
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640)

    def write(self, descriptor: int, data: memoryview) -> int:
        return os.write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        os.fsync(descriptor)

    def close(self, descriptor: int) -> None:
        os.close(descriptor)

    def rename(self, old: Path, new: Path) -> None:
        old.replace(new)

    def link(self, old: Path, new: Path) -> None:
        new.hardlink_to(old)

    def remove(self, path: Path) -> None:
        path.unlink()

    def sync_folder(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def free_bytes(self, folder: Path) -> int:
        """Bytes that this user may still write."""
        return shutil.disk_usage(folder).free

    def connect(self, path: Path) -> sqlite3.Connection:
        """Open a database in which every transaction is begun and ended by hand."""
        return sqlite3.connect(path, timeout=10.0, isolation_level=None, check_same_thread=False)


def write_file(path: Path, data: bytes, disk: FileCalls, *, mode: int | None = None) -> None:
    """Put `data` at `path`, durably; the folder must exist. `mode` None: for this user and its group.

    Raises OSError when a step fails; then the temporary file is gone again (or named in a note on the
    error) and `path` holds its old content, save for a failed flush of the folder (see above).
    """
    temp = path.with_name(path.name + TEMP_SUFFIX)
    try:
        _fill(temp, data, disk, mode)
        disk.rename(temp, path)
    except Exception as error:
        remove_if_there(temp, disk, error)
        raise
    disk.sync_folder(path.parent)


def make_folders(folder: Path, disk: FileCalls, *, mode: int | None = None) -> None:
    """Create `folder` and what is missing above it, each entry flushed into its parent.

    `mode` is for those that are made; None: for this user and its group.
    """
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        folder = folder.parent
    for each in reversed(missing):
        disk.make_folder(each)
        if mode is not None:
            each.chmod(mode)
        disk.sync_folder(each.parent)


def remove_if_there(path: Path, disk: FileCalls, cause: Exception) -> None:
    """Clean up after `cause`; a failure to do so is added to it as a note, as `cause` matters more."""
    try:
        disk.remove(path)
    except FileNotFoundError:
        return  # it had not come into being: nothing to clean up
    except OSError as error:
        cause.add_note(f"{path.name} could not be removed either ({error.strerror}); the next start does it")


def _fill(path: Path, data: bytes, disk: FileCalls, mode: int | None) -> None:
    descriptor = disk.create(path)
    try:
        if mode is not None:
            os.fchmod(descriptor, mode)
        rest = memoryview(data)
        while rest:
            rest = rest[disk.write(descriptor, rest) :]
        disk.sync(descriptor)
    except BaseException:
        os.close(descriptor)  # directly: the step that failed is what is told, not this
        raise
    disk.close(descriptor)
