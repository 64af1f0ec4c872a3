"""One class name, one meaning: a reader who looks for a class finds one."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import dooryard

PACKAGE = Path(dooryard.__file__).parent
SAME_MEANING: frozenset[str] = frozenset()
"""Names that may stand twice because both mean the same: a protocol and what implements it."""


def classes(package: Path) -> dict[str, list[str]]:
    """Class name -> the modules that define it, nested classes included."""
    found = defaultdict(list)
    for path in sorted(package.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                found[node.name].append(path.relative_to(package).as_posix())
    return found


def test_no_class_name_occurs_twice() -> None:
    twice = {name: where for name, where in classes(PACKAGE).items() if len(where) > 1}
    assert {name: where for name, where in twice.items() if name not in SAME_MEANING} == {}


def test_a_name_given_twice_would_be_found(tmp_path: Path) -> None:
    (tmp_path / "one.py").write_text("class Line: ...\n", encoding="utf-8")
    (tmp_path / "two.py").write_text("def make():\n    class Line: ...\n", encoding="utf-8")
    assert classes(tmp_path) == {"Line": ["one.py", "two.py"]}
