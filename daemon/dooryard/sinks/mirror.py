"""A folder kept like another one: each file whole, pages after what they show."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dooryard.outbox.durable import TEMP_SUFFIX, Disk, make_folders, write_file

LIST = ".published"  # names of what was published here; nothing else is ever removed


@dataclass(frozen=True, slots=True)
class Mirrored:
    """What one round did."""

    files: int
    copied: int
    removed: int


def mirror(source: Path, target: Path, disk: Disk, *, remove_gone: bool) -> Mirrored:
    """Bring `target` in line with `source`. Raises OSError; what was copied until then is whole.

    Files of the same size and time are taken to be the same. Links are left out. With `remove_gone`,
    files that an earlier round put there and that `source` has no more are removed.
    """
    make_folders(target, disk)
    names = sorted(_names(source), key=lambda name: (name.endswith((".html", ".xml", ".atom")), name))
    known = _listed(target)
    gone = sorted(known - set(names)) if remove_gone else []
    # First the list, so that what a power cut leaves half done is still known to be ours.
    _write_list(target, known | set(names), disk)
    copied = sum(_copy(source / name, target / name, disk) for name in names)
    for name in gone:
        if (target / name).exists():
            disk.remove(target / name)
    if gone:
        _write_list(target, set(names), disk)
    return Mirrored(len(names), copied, len(gone))


def _names(folder: Path) -> Iterator[str]:
    for path, _, files in os.walk(folder):
        for file in files:
            whole = Path(path, file)
            if not file.endswith(TEMP_SUFFIX) and not whole.is_symlink():
                yield str(whole.relative_to(folder))


def _copy(source: Path, target: Path, disk: Disk) -> bool:
    wanted = source.stat()
    if target.exists():
        there = target.stat()
        if (there.st_size, there.st_mtime_ns) == (wanted.st_size, wanted.st_mtime_ns):
            return False
    make_folders(target.parent, disk)
    write_file(target, source.read_bytes(), disk)
    os.utime(target, ns=(wanted.st_atime_ns, wanted.st_mtime_ns))
    return True


def _listed(target: Path) -> set[str]:
    try:
        lines = (target / LIST).read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except FileNotFoundError:
        return set()
    # A list that somebody has meddled with must not lead out of the folder.
    return {line for line in lines if line and not line.startswith("/") and ".." not in Path(line).parts}


def _write_list(target: Path, names: set[str], disk: Disk) -> None:
    if names != _listed(target):
        text = "".join(f"{name}\n" for name in sorted(names))
        write_file(target / LIST, text.encode("utf-8", "surrogateescape"), disk)
