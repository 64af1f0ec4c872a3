"""What stands on a page is worked out without a clock, a file, a database or a network."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import dooryard.journal
from unit.test_purity import impurities

FOLDER = Path(dooryard.journal.__file__).parent
PURE = ("tally", "counts", "survey", "charts", "phrases", "paths", "cards", "page_day", "page_days",
        "page_visitor", "feed", "camtrap", "tables", "package")  # fmt: skip
PURE_BELOW = ("history/entries", "history/marking", "imaging/xmp")


@pytest.mark.parametrize("name", PURE)
def test_pure_modules_are_pure(name):
    source = (FOLDER / f"{name}.py").read_text()
    assert impurities(source) == []
    imported = {
        node.module.removeprefix("dooryard.journal.")
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("dooryard.journal.")
    }
    assert imported <= set(PURE)


@pytest.mark.parametrize("name", PURE_BELOW)
def test_what_they_stand_on_is_pure(name):
    assert impurities((FOLDER.parent / f"{name}.py").read_text()) == []


def test_the_command_line_does_not_wait_for_jinja_to_start():
    for name in PURE:
        assert "jinja2" not in (FOLDER / f"{name}.py").read_text()
