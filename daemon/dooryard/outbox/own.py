"""Which files in a state folder are the program's own, and whether a folder may be taken for one.

Only files that the program made are ever removed: each is known by its name and by the folder that it
stands in. Links are not followed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from tempfile import gettempdir

from dooryard.core.errors import StoreError

DATABASE = "dooryard.sqlite3"
PICTURES = "pictures"
LOCK = "dooryard.lock"
SET_ASIDE = "damaged-"  # dooryard-damaged-20260614T140000Z.sqlite3, pictures-damaged-...

_TEMP = r"(?:\.tmp)?"  # durable.TEMP_SUFFIX: what a power cut leaves of a file
_PICTURE = re.compile(rf"[0-9a-f]{{8}}(?:-[0-9a-f]{{4}}){{3}}-[0-9a-f]{{12}}(?:-\d+)?\.jpg{_TEMP}")
_OURS = re.compile(  # at the top of a state folder
    rf"dooryard\.lock|(?:dooryard|journal)(?:-(?:{SET_ASIDE}|found-)[\w-]+)?\.sqlite3(?:-wal|-shm|-journal|\.tmp)?"
    rf"|{PICTURES}(?:-{SET_ASIDE}[\w-]+)?|journal|taught|lost\+found"
)
_LEVELS = (re.compile(r"\d{4}"), re.compile(r"\d{2}"), re.compile(r"\d{2}"))  # year, month, day
# What a system keeps its own files in; a folder within the second group is refused as well.
_SYSTEM = ("/", "/home", "/media", "/mnt", "/opt", "/root", "/srv", "/usr/local", "/var", "/var/lib",
           gettempdir())  # fmt: skip
_SYSTEM_WITHIN = ("/bin", "/boot", "/dev", "/etc", "/lib", "/lib64", "/proc", "/sbin", "/sys", "/usr")
_IN_MEMORY = "/dev/shm"  # noqa: S108  (for trials: gone with the power, but a folder like any other)
_ANOTHER = "give state_folder in the box file a folder of its own, such as /var/lib/dooryard"


def claim(folder: Path) -> None:
    """Raise `StoreError` where `folder` is not one that the program may keep its state in.

    It may be missing or empty, or one that has our database or our lock, or holds nothing but what we make.
    It may not be a system's or a user's own folder, nor one with files of somebody else.
    """
    real = Path(os.path.realpath(folder))
    within = any(real.is_relative_to(path) for path in _SYSTEM_WITHIN) and not real.is_relative_to(_IN_MEMORY)
    if within or str(real) in _SYSTEM:
        raise StoreError(f"the state folder {folder} is a folder of the system", _ANOTHER)
    if real == Path(os.path.realpath(Path.home())):
        raise StoreError(f"the state folder {folder} is a home folder", _ANOTHER)
    if not folder.is_dir():
        if folder.exists():
            raise StoreError(f"the state folder {folder} is a file", _ANOTHER)
        return
    names = sorted(os.listdir(folder))  # noqa: PTH208  (names are enough)
    strange = [name for name in names if not _OURS.fullmatch(name)]
    if strange and DATABASE not in names and LOCK not in names:
        raise StoreError(
            f"the state folder {folder} holds files that are not Dooryard's, such as {strange[0]!r}", _ANOTHER
        )
    _check_pictures(folder / PICTURES)


def _check_pictures(pictures: Path) -> None:
    if pictures.is_symlink():
        raise StoreError(
            f"{pictures} is a link, and pictures are kept in a folder of the program's own",
            "move the link away; to keep pictures on another disk, put the whole state_folder there",
        )
    if pictures.exists() and not pictures.is_dir():
        raise StoreError(f"{pictures} is a file, where a folder for pictures goes", "move that file away")


def pictures_in(root: Path) -> Iterator[Path]:
    """Picture files of ours below the picture folder `root`, whole or unfinished: YEAR/MONTH/DAY/ID.jpg."""
    for day in _days(root, _LEVELS):
        for item in os.scandir(day):
            if _PICTURE.fullmatch(item.name) and item.is_file(follow_symlinks=False):
                yield Path(item.path)


def date_folders_in(root: Path) -> list[Path]:
    """The folders of days, months and years below `root`, the deepest first."""
    found = [folder for depth in (3, 2, 1) for folder in _days(root, _LEVELS[:depth])]
    return sorted(found, key=lambda folder: -len(folder.parts))


def _days(root: Path, levels: tuple[re.Pattern[str], ...]) -> Iterator[Path]:
    if not levels:
        yield root
        return
    if not root.is_dir() or root.is_symlink():
        return
    for item in sorted(os.scandir(root), key=lambda item: item.name):
        if levels[0].fullmatch(item.name) and item.is_dir(follow_symlinks=False):
            yield from _days(Path(item.path), levels[1:])
