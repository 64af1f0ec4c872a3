"""The rooms stand in storeys: each imports only from rooms below it, so that there is no circle."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import dooryard

PACKAGE = Path(dooryard.__file__).parent
STOREYS = (  # from above; rooms of one line do not import each other
    {"cli"},
    {"setup"},
    {"rehearse", "survey", "aim"},
    {"service"},
    {"journal", "teaching"},
    {"history"},
    {"health"},
    {"pipeline"},
    {"site"},
    {"tracking"},
    {"outbox"},
    {"box"},
    {"sinks"},
    {"policy", "recording"},
    {"classify", "gate", "camera", "sensors", "button"},
    {"imaging", "web"},
    {"config"},
    {"core"},
)
STOREY = {room: len(STOREYS) - number for number, rooms in enumerate(STOREYS) for room in rooms}
FLAT_MOST = 5


def imports(source: str) -> Iterator[str]:
    """The rooms of the package that `source` imports, wherever in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module == "dooryard":
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("dooryard."):
            yield str(node.module).split(".")[1]
        elif isinstance(node, ast.Import):
            yield from (name.name.split(".")[1] for name in node.names if name.name.startswith("dooryard."))


def upward(room: str, source: str) -> list[str]:
    below = STOREY[room]
    return [other for other in imports(source) if other != room and STOREY.get(other, 0) >= below]


def room_of(file: Path) -> str:
    parts = file.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else file.stem


FILES = [file for file in sorted(PACKAGE.rglob("*.py")) if room_of(file) not in ("__init__", "__main__")]


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_a_room_imports_only_rooms_below_it(file):
    assert upward(room_of(file), file.read_text(encoding="utf-8")) == []


def test_every_room_has_its_storey_and_few_modules_have_no_room():
    assert {room_of(file) for file in FILES} == STOREY.keys()
    assert len(list(PACKAGE.glob("*.py"))) <= FLAT_MOST


def test_an_upward_import_is_found():
    assert upward("gate", "from dooryard.policy.schema import Policy") == ["policy"]
    assert upward("gate", "def f():\n    from dooryard import pipeline") == ["pipeline"]
    assert upward("gate", "import dooryard.classify.onnx") == ["classify"]
    assert upward("pipeline", "from dooryard.gate import watch") == []
