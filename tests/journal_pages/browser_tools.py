"""What the browser checks need and the machine may lack: a Chromium, and the checker axe-core from npm."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tarfile
import tempfile
from pathlib import Path

import pytest

AXE = "axe-core@4.14.1"
AXE_SHA256 = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"  # of package/axe.min.js
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "dooryard-tests"


def axe() -> str:
    """The source of axe-core, fetched once with npm; skips aloud where it can't be had."""
    kept = Path(os.environ.get("AXE_CORE", CACHE / "axe.min.js"))
    if not kept.is_file():
        _fetch(kept)
    source = kept.read_bytes()
    assert hashlib.sha256(source).hexdigest() == AXE_SHA256, f"{kept} is not {AXE}"
    return source.decode()


def _fetch(kept: Path) -> None:
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is missing, so axe-core can't be fetched (Debian: apt install npm, or set AXE_CORE)")
    with tempfile.TemporaryDirectory() as scratch:
        command = [npm, "pack", AXE, "--silent"]
        done = subprocess.run(command, check=False, cwd=scratch, capture_output=True, timeout=120)
        archives = list(Path(scratch).glob("*.tgz"))
        if done.returncode != 0 or not archives:
            pytest.skip(f"npm could not fetch {AXE}: {done.stderr.decode()[-200:]}")
        with tarfile.open(archives[0]) as archive:
            member = archive.extractfile("package/axe.min.js")
            assert member is not None
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_bytes(member.read())


def vnu() -> list[str]:
    """The command of the Nu HTML checker; skips aloud where it isn't there. It is not fetched: 30 MB."""
    jar = os.environ.get("VNU_JAR")
    java = shutil.which("java")
    if not jar or not java:
        pytest.skip("the Nu HTML checker needs Java, and VNU_JAR set to its vnu.jar (npm pack vnu-jar)")
    return [java, "-jar", jar]
