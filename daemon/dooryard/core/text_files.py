"""Files that people write (box files, policies, cards, secrets) are read here and nowhere else. Edge.

What is named may be anything: a pipe that nobody writes to, a device without an end, a disk image. So a file
is opened without waiting, must be a plain one, and is read up to a bound, whatever size it says it has.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from dooryard.core.errors import ConfigError

MOST_BYTES = 1_000_000
NOT_PLAIN = "is not a plain file"


def read_plain(path: Path, most_bytes: int = MOST_BYTES) -> tuple[bytes, os.stat_result]:
    """The first `most_bytes` + 1 bytes of a plain file, and its status: more than `most_bytes` are too many.

    Raises OSError where it can't be read; `strerror` is `NOT_PLAIN` for a pipe, device, socket or folder.
    """
    # Without O_NONBLOCK the opening of a pipe waits for a writer, and that of some devices for a carrier.
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    with open(handle, "rb") as file:  # noqa: PTH123  (of a handle)
        status = os.fstat(handle)
        if stat.S_ISDIR(status.st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        if not stat.S_ISREG(status.st_mode):
            raise OSError(errno.EINVAL, NOT_PLAIN, str(path))
        if status.st_size > most_bytes:
            return b"", status
        return file.read(most_bytes + 1), status


def read_text(path: Path, sort: str = "policy or box file", most_bytes: int = MOST_BYTES) -> str:
    """The text of a file of the `sort`. Raises ConfigError if it can't be read."""
    remedy = f"name a {sort} that this user may read"
    try:
        data, status = read_plain(path, most_bytes)
    except OSError as error:
        raise ConfigError(f"{path}: {(error.strerror or str(error)).lower()}", remedy) from error
    if max(len(data), status.st_size) > most_bytes:
        length = f"{status.st_size} bytes" if status.st_size > most_bytes else f"more than {most_bytes} bytes"
        raise ConfigError(f"{path}: is {length} long, which no {sort} is", remedy)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise ConfigError(f"{path}:{line}: is not UTF-8 text", "save the file as UTF-8") from error
