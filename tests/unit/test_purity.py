"""The core stays pure: no clock, no operating system, no network, no files, no model runtime, no chance.

The check reads the source of each core module, and of everything in the package that it imports.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import dooryard

PACKAGE = Path(dooryard.__file__).parent
CORE = (
    "pipeline",
    "core.records",
    "core.effects",
    "core.arrays",
    "core.ids",
    "core.wording",
    "core.rate_limit",
    "config.toml_depth",
    "config.toml_document",
    "config.toml_lines",
    "config.validation",
    "config.file_kind",
    "box.addresses",
    "tracking",
    "site",
    "imaging.size_budget",
    "gate",
    "policy",
    "classify.crop",
    "classify.scores",
    "classify.labels",
    "classify.card",
    "classify.calibration",
    "classify.presence",
    "classify.taught",
    "classify.species",
    "classify.garden_birds",
    "classify.garden_birds_table",
    "classify.regions",
    "health.thermal",
    "health.dew_point",
    "health.state",
    "health.faults",
    "sensors.base",
    "sensors.filter",
    "sensors.parse",
    "sensors.watch",
    "button.press",
    "button.patterns",
    "survey.lines",
    "camera.picamera_options",
    "outbox.connectivity",
    "outbox.schedule",
)
FORBIDDEN = {
    "time",
    "os",
    "socket",
    "pathlib",
    "onnxruntime",
    "random",
    "secrets",
    "shutil",
    "subprocess",
    "threading",
    "sqlite3",
    "requests",
    "smtplib",
    "urllib",
    "tempfile",
    "logging",
}
CLOCK_CALLS = {"now", "utcnow", "today", "open"}
# The edge inside a core package, each with its reason.
EDGE = {
    "policy/files.py": "reads files for the command line",
}


def _files(dotted: str) -> list[Path]:
    path = PACKAGE / dotted.replace(".", "/")
    found = sorted(path.rglob("*.py")) if path.is_dir() else [path.with_suffix(".py")]
    return [file for file in found if str(file.relative_to(PACKAGE)) not in EDGE]


def core_files() -> list[Path]:
    return sorted({file for dotted in CORE for file in _files(dotted)})


def impurities(source: str) -> list[str]:
    """Each forbidden import and each call of a clock in `source`."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names if alias.name.split(".")[0] in FORBIDDEN]
            found += [f"line {node.lineno}: import {name}" for name in names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            if (node.module or "").split(".")[0] in FORBIDDEN:
                found.append(f"line {node.lineno}: from {node.module} import ...")
        elif isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in CLOCK_CALLS:
                found.append(f"line {node.lineno}: call of {name}()")
    return found


@pytest.mark.parametrize("file", core_files(), ids=lambda f: str(f.relative_to(PACKAGE)))
def test_core_module_is_pure(file):
    assert impurities(file.read_text()) == []


def _imported(file: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("dooryard"):
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.startswith("dooryard")}
    return found


def _as_file(dotted: str) -> Path | None:
    path = PACKAGE.parent / dotted.replace(".", "/")
    if path.with_suffix(".py").exists():
        return path.with_suffix(".py")
    return path / "__init__.py" if (path / "__init__.py").exists() else None


def test_core_imports_only_core():
    rooms = PACKAGE.glob("*/__init__.py")  # which say what a room is for
    allowed = {*core_files(), *rooms, PACKAGE / "__init__.py", PACKAGE / "core/errors.py"}
    allowed.add(PACKAGE / "sinks/base.py")
    found = {
        f"{file.relative_to(PACKAGE)} imports {dotted}"
        for file in core_files()
        for dotted in _imported(file)
        if (target := _as_file(dotted)) is not None and target not in allowed
    }
    assert found == set()


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "import os.path",
        "from socket import socket",
        "from pathlib import Path",
        "import onnxruntime as ort",
        "import random",
        "from datetime import datetime\ndatetime.now()",
        "def f():\n    import time",
    ],
)
def test_the_check_itself_catches(source):
    assert impurities(source)
