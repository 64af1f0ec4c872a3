"""The example packages of `tests/plugins`, really installed, into a folder that is then on the path."""

from __future__ import annotations

import functools
import importlib
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

SOURCES = Path(__file__).parents[1] / "plugins"


@functools.cache
def installed(*names: str) -> Path:
    """Install the packages; their folder. Once in a test process, and then they stay."""
    folder = Path(tempfile.mkdtemp(prefix="dooryard-labs."))
    for name in names:
        source = shutil.copytree(SOURCES / name, folder / "source" / name)  # a build leaves files beside it
        subprocess.run(
            [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index",
             "--no-deps", "--no-build-isolation", "--target", str(folder / "lib"), str(source)],
            check=True,
        )  # fmt: skip
    sys.path.append(str(folder / "lib"))
    importlib.invalidate_caches()
    return folder / "lib"
