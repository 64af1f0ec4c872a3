"""The example packages of `tests/plugins`, really installed, into a folder of their own."""

from __future__ import annotations

import functools
import importlib
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

SOURCES = Path(__file__).parents[1] / "plugins"


@functools.cache
def installed() -> Path:
    """Install the packages, once in a test process; their folder."""
    folder = Path(tempfile.mkdtemp(prefix="dooryard-labs."))
    for name in ("feeder_lab", "broken_lab"):
        source = shutil.copytree(SOURCES / name, folder / "source" / name)  # a build leaves files beside it
        subprocess.run(
            [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index",
             "--no-deps", "--no-build-isolation", "--target", str(folder / "lib"), str(source)],
            check=True,
        )  # fmt: skip
    return folder / "lib"


@contextmanager
def on_path() -> Iterator[Path]:
    """The packages can be found meanwhile."""
    lib = installed()
    sys.path.append(str(lib))
    importlib.invalidate_caches()
    try:
        yield lib
    finally:
        sys.path.remove(str(lib))
