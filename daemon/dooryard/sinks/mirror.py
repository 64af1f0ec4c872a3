"""A folder kept like another one: each file whole, pages after what they show, readable for all."""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from dooryard.core.atomic_files import FileCalls, make_folders, write_file
from dooryard.sinks.pages import FILE_MODE, FOLDER_MODE, LIST, list_text, names_in, read_list


@dataclass(frozen=True, slots=True)
class Mirrored:
    """What one round did."""

    files: int
    copied: int
    removed: int


def mirror(source: Path, target: Path, disk: FileCalls, *, remove_gone: bool) -> Mirrored:
    """Bring `target` in line with `source`. Raises OSError; what was copied until then is whole.

    Where nothing was published before, no file that stands there already is replaced: FileExistsError.
    Files of the same size and time are taken to be the same. With `remove_gone`, files that an earlier
    round put there and that `source` has no more are removed. A `target` that was there already keeps its
    own mode; all within that is of the journal can be read by anybody.
    """
    make_folders(target, disk, mode=FOLDER_MODE)
    names = names_in(source)
    known = _listed(target)
    _spare_others(target, names)
    gone = sorted(known - set(names)) if remove_gone else []
    # First the list, so that what a power cut leaves half done is still known to be ours.
    _write_list(target, known | set(names), disk)
    for folder in sorted({parent for name in names for parent in Path(name).parents} - {Path()}):
        make_folders(target / folder, disk, mode=FOLDER_MODE)
        _let_all_read(target / folder, FOLDER_MODE)
    copied = sum(_copy(source / name, target / name, disk) for name in names)
    for name in gone:
        if (target / name).exists():
            disk.remove(target / name)
    if gone:
        _write_list(target, set(names), disk)
    return Mirrored(len(names), copied, len(gone))


def _spare_others(target: Path, names: list[str]) -> None:
    theirs = next((name for name in names if (target / name).exists()), None)
    if theirs is not None and not (target / LIST).exists():
        raise FileExistsError(errno.EEXIST, f"holds files of somebody else, such as {theirs}")


def _copy(source: Path, target: Path, disk: FileCalls) -> bool:
    wanted = source.stat()
    if target.exists():
        there = target.stat()
        if (there.st_size, there.st_mtime_ns) == (wanted.st_size, wanted.st_mtime_ns):
            _let_all_read(target, FILE_MODE)
            return False
    write_file(target, source.read_bytes(), disk, mode=FILE_MODE)
    os.utime(target, ns=(wanted.st_atime_ns, wanted.st_mtime_ns))
    return True


def _let_all_read(path: Path, mode: int) -> None:
    """Mend what an earlier version left closed."""
    if stat.S_IMODE(path.stat().st_mode) & mode != mode:
        path.chmod(mode)


def _listed(target: Path) -> set[str]:
    try:
        return read_list((target / LIST).read_bytes())
    except FileNotFoundError:
        return set()


def _write_list(target: Path, names: set[str], disk: FileCalls) -> None:
    if names != _listed(target):
        write_file(target / LIST, list_text(names), disk)
