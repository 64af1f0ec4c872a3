"""Texts that somebody wrote: read whole, or refused with the reason, whatever stands at the path. Edge."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from dooryard.errors import ConfigError

MOST_BYTES = 1_000_000


def read_text(path: Path, sort: str = "policy or box file", most_bytes: int = MOST_BYTES) -> str:
    """The text of a file of the `sort`; only a regular file of at most `most_bytes` is read.

    Raises ConfigError if it can't be read, or is not UTF-8.
    """
    remedy = f"name a {sort} that this user may read"
    try:
        # Without O_NONBLOCK, opening a pipe waits for a writer that may never come.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        raise ConfigError(
            f"{path}: {(getattr(error, 'strerror', '') or str(error)).lower()}", remedy
        ) from error
    try:
        about = os.fstat(descriptor)
        if not stat.S_ISREG(about.st_mode):
            what = "folder" if stat.S_ISDIR(about.st_mode) else "device or pipe"
            raise ConfigError(f"{path}: is a {what}, and no {sort}", remedy)
        if about.st_size > most_bytes:
            raise ConfigError(f"{path}: is {about.st_size} bytes long, which no {sort} is", remedy)
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            data = file.read(most_bytes + 1)
    except OSError as error:
        raise ConfigError(f"{path}: {(error.strerror or str(error)).lower()}", remedy) from error
    finally:
        os.close(descriptor)
    if len(data) > most_bytes:  # it grew meanwhile, or its size is not told, as with files of the kernel
        raise ConfigError(f"{path}: is longer than {most_bytes} bytes, which no {sort} is", remedy)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ConfigError(f"{path}:{line}: is not UTF-8 text", "save the file as UTF-8") from error
