"""The pictures of visits as files in the state folder: written whole or not at all, read, removed. Edge."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from dooryard.core.atomic_files import FileCalls, make_folders, remove_if_there, write_file
from dooryard.core.errors import StoreError
from dooryard.outbox import rows
from dooryard.outbox.folder import remove_empty_folders
from dooryard.outbox.own import PICTURES
from dooryard.outbox.problems import store_error

RESERVE_BYTES = 32 * 1024 * 1024  # pictures stop here, so that alerts and states can still be stored


class PictureFiles:
    """The picture folder of one state folder. Paths are relative to it."""

    def __init__(self, folder: Path, disk: FileCalls) -> None:
        self._folder = folder
        self._pictures = folder / PICTURES
        self._disk = disk

    def make_folder(self) -> None:
        make_folders(self._pictures, self._disk)

    def write(self, path: str, jpeg: bytes, doing: str) -> rows.StoredPicture:
        """Write it durably, and return what its row is to say. Raises StoreError; `doing` says at what."""
        target = self._pictures / path
        try:
            if self._disk.free_bytes(self._folder) < RESERVE_BYTES + len(jpeg):
                raise StoreError(
                    f"{doing} in {self._folder} failed: the disk is nearly full",
                    "free some space or lower the policy's keeping limits; until then no pictures are kept",
                )
            make_folders(target.parent, self._disk)
            try:
                write_file(target, jpeg, self._disk)
            except OSError as error:
                # Only the folder's flush can have failed with the file in place, and then it may not last.
                remove_if_there(target, self._disk, error)
                raise
        except OSError as error:
            raise store_error(error, doing, self._folder) from error
        return rows.StoredPicture(path, len(jpeg), hashlib.sha256(jpeg).hexdigest())

    def read(self, path: str) -> bytes | None:
        """None where it is not there. Raises StoreError where it cannot be read."""
        try:
            return (self._pictures / path).read_bytes()
        except (FileNotFoundError, ValueError):  # not there, or a name that no file can have
            return None
        except OSError as error:
            raise store_error(error, "reading a picture", self._folder) from error

    def remove(self, paths: Iterable[str]) -> None:
        """Remove files whose rows are gone. One that is stuck raises OSError; the next start removes it."""
        for path in paths:
            if (self._pictures / path).exists():
                self._disk.remove(self._pictures / path)

    def take_back(self, path: str, cause: Exception) -> None:
        """Remove one whose row could not be written; see `remove_if_there`."""
        remove_if_there(self._pictures / path, self._disk, cause)

    def remove_empty_folders(self) -> None:
        remove_empty_folders(self._pictures)


def picture_path(visit_id: str, start: datetime, number: int) -> str:
    """Where the `number`-th picture of a visit goes, relative to the picture folder."""
    day = start.astimezone(UTC).strftime("%Y/%m/%d")
    return f"{day}/{visit_id}.jpg" if number == 1 else f"{day}/{visit_id}-{number}.jpg"


def next_number(path: str | None) -> int:
    """The number of the picture that comes after the one at `path` (None: the first)."""
    if path is None:
        return 1
    # An id has 36 characters; what stands between it and ".jpg" is "-NUMBER", or nothing.
    number = Path(path).stem[36:].removeprefix("-")
    return int(number) + 1 if number.isdecimal() else 2
