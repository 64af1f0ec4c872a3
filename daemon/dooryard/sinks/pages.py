"""Which files of a journal's folder are published, and the list of what was, kept where they went."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path, PurePosixPath

from dooryard.core.atomic_files import TEMP_SUFFIX

LIST = ".published"  # names of what was published there; nothing else is ever removed
LIST_MAX_BYTES = 8_000_000
# What a web server, which is another user, must be able to read.
FILE_MODE, FOLDER_MODE = 0o644, 0o755


def names_in(folder: Path) -> list[str]:
    """Paths of the files to publish, relative to `folder`, in the order to bring them: pages last, after the
    pictures they show. Left out are links, unfinished files, and what is hidden: that is the builder's own.
    """
    found = []
    for path, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for file in files:
            whole = Path(path, file)
            if not file.startswith(".") and not file.endswith(TEMP_SUFFIX) and not whole.is_symlink():
                found.append(whole.relative_to(folder).as_posix())
    return sorted(found, key=lambda name: (name.endswith((".html", ".xml", ".atom")), name))


def read_list(data: bytes) -> set[str]:
    """The names in a list. One that somebody has meddled with must not lead out of the folder."""
    lines = data.decode("utf-8", "surrogateescape").splitlines()
    return {line for line in lines if line and not line.startswith("/") and _stays_inside(line)}


def list_text(names: Iterable[str]) -> bytes:
    """The list of `names`."""
    return "".join(f"{name}\n" for name in sorted(names)).encode("utf-8", "surrogateescape")


def _stays_inside(name: str) -> bool:
    return ".." not in PurePosixPath(name).parts and name != LIST
