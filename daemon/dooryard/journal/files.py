"""The journal's folder: whole files only, one builder at a time, nothing left over."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dooryard.core.atomic_files import TEMP_SUFFIX, FileCalls, make_folders, write_file
from dooryard.core.errors import AlreadyRunningError, ConfigError, StoreError
from dooryard.journal import paths

MANIFEST = ".journal.json"
LOCK = ".journal.lock"
_VERSION = 1
# Another file system, one without links, somebody else's file, too many links.
_NO_LINKS = {errno.EXDEV, errno.EPERM, errno.EACCES, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK}


@dataclass(slots=True)
class Manifest:
    """What stands in the folder: page -> fingerprint of what it was made of.

    `watched` has seconds of watching by local hour for dates that are over, under a fingerprint of
    what they follow from: they cost the most to work out. `unreadable` are pictures that could not be
    opened.
    """

    pages: dict[str, str] = field(default_factory=dict)
    watched: dict[str, tuple[str, list[float]]] = field(default_factory=dict)
    unreadable: frozenset[str] = frozenset()


class SiteFolder:
    """The folder that pages go to; paths in it are relative, with slashes."""

    def __init__(self, folder: Path, disk: FileCalls) -> None:
        self.folder = folder
        self._disk = disk

    def write(self, path: str, data: bytes) -> None:
        """Put a whole file there: a reader sees the old one or the new one."""
        target = self.folder / path
        with self.error_scope():
            make_folders(target.parent, self._disk)
            write_file(target, data, self._disk)

    def link(self, path: str, file: Path) -> bool:
        """Let `file` stand at `path` too, without a copy; False where the file system will not have that.

        Files here and in the store are only ever replaced whole, so neither is changed through the other.
        """
        target = self.folder / path
        with self.error_scope():
            make_folders(target.parent, self._disk)
            try:
                self._disk.link(file, target)
            except FileExistsError:
                self._disk.remove(target)
                return False
            except OSError as error:
                if error.errno not in _NO_LINKS:
                    raise
                return False
            self._disk.sync_folder(target.parent)
            return True

    def has(self, path: str) -> bool:
        return (self.folder / path).is_file()

    def remove(self, path: str) -> None:
        """Remove a page or picture; any other path, as a damaged manifest may have, is let be."""
        if not paths.ours(path):
            return
        with self.error_scope():
            (self.folder / path).unlink(missing_ok=True)

    def names(self, folder: str) -> set[str]:
        """Names of the files in a folder; none if it isn't there."""
        with self.error_scope():
            try:
                with os.scandir(self.folder / folder) as found:
                    return {item.name for item in found if item.is_file(follow_symlinks=False)}
            except FileNotFoundError:
                return set()

    def folders(self, folder: str) -> set[str]:
        with self.error_scope():
            try:
                with os.scandir(self.folder / folder) as found:
                    return {item.name for item in found if item.is_dir(follow_symlinks=False)}
            except FileNotFoundError:
                return set()

    def remove_folder(self, folder: str) -> None:
        """Remove a folder of pictures; it stays where somebody put something else in it."""
        for name in self.names(folder):
            self.remove(f"{folder}/{name}")
        with self.error_scope():
            if not any((self.folder / folder).iterdir()):
                (self.folder / folder).rmdir()

    def load(self) -> Manifest:
        """The manifest; an empty one, so that all is made again, if there is none that can be read."""
        try:
            data: Any = json.loads((self.folder / MANIFEST).read_bytes())
            if data["version"] != _VERSION:
                return Manifest()
            watched = {
                day: (str(key), [float(x) for x in row]) for day, (key, row) in data["watched"].items()
            }
            return Manifest(dict(data["pages"]), watched, frozenset(data["unreadable"]))
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return Manifest()

    def save(self, manifest: Manifest) -> None:
        data = {
            "version": _VERSION,
            "pages": manifest.pages,
            "watched": manifest.watched,
            "unreadable": sorted(manifest.unreadable),
        }
        text = json.dumps(data).encode()
        with self.error_scope():
            path = self.folder / MANIFEST
            same = path.is_file() and path.read_bytes() == text
        if not same:  # a card wears with each write
            self.write(MANIFEST, text)

    @contextmanager
    def error_scope(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise StoreError(
                f"the journal in {self.folder} cannot be written: {error.strerror or error}",
                "see that this user may write there and that the disk is not full",
            ) from error


def _remove_leftovers(folder: Path) -> None:
    """Remove unfinished files of ours that a power cut left."""
    for found in folder.rglob(f"*{TEMP_SUFFIX}"):
        name = found.relative_to(folder).as_posix().removesuffix(TEMP_SUFFIX)
        if (name == MANIFEST or paths.ours(name)) and found.is_file() and not found.is_symlink():
            found.unlink(missing_ok=True)


def stands(folder: Path) -> str | None:
    """A fingerprint of what stands in a journal's folder; None if nothing was built there yet.

    It changes when a page or a picture does, and at no other time.
    """
    pages = SiteFolder(folder, FileCalls()).load().pages
    return hashlib.sha256(json.dumps(sorted(pages.items())).encode()).hexdigest()[:32] if pages else None


@contextmanager
def held(folder: Path, disk: FileCalls | None = None) -> Iterator[SiteFolder]:
    """The site in `folder` (made if missing), held by this process alone.

    Raises `AlreadyRunningError` when another process builds in it, `StoreError` when it can't be used,
    or when there are files in it that are not a journal's, ConfigError when it is a file.
    """
    site = SiteFolder(folder, disk or FileCalls())
    with site.error_scope():
        if folder.is_file():
            raise ConfigError(f"{folder} is a file, and a journal takes a folder", "name a folder")
        if folder.is_dir() and any(folder.iterdir()) and not (folder / LOCK).exists():
            raise StoreError(
                f"{folder} has files in it that are not the journal's",
                "name an empty folder, or one that a journal was built in before",
            )
        make_folders(folder, disk or FileCalls())
        descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise AlreadyRunningError(
                f"another process builds the journal in {folder}",
                "wait until it is done, or name another folder",
            ) from error
        with site.error_scope():
            _remove_leftovers(folder)
        yield site
    finally:
        os.close(descriptor)
