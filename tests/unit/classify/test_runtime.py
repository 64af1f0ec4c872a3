"""onnxruntime is loaded in one place, and told to report nothing before its first line runs."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import dooryard
from dooryard.classify import runtime

ROOT = Path(__file__).parents[3]
PLACE = Path(dooryard.__file__).parent / "classify" / "runtime.py"


def loads(source: str) -> list[int]:
    """The lines that import onnxruntime or a part of it, also by a call with its name."""
    found = []
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module or ""]
        elif isinstance(node, ast.Call) and node.args:
            called = getattr(node.func, "attr", getattr(node.func, "id", ""))
            first = node.args[0]
            if isinstance(first, ast.JoinedStr) and first.values:
                first = first.values[0]
            if called in {"import_module", "__import__", "importorskip"} and isinstance(first, ast.Constant):
                names = [str(first.value)]
        found += [getattr(node, "lineno", 0) for name in names if name.split(".")[0] == "onnxruntime"]
    return sorted(found)


def programs() -> list[Path]:
    """Every Python file of daemon, tools and tests, those without a suffix as well."""
    paths = [path for folder in ("daemon", "tools", "tests") for path in (ROOT / folder).rglob("*")]
    return sorted(
        path
        for path in paths
        if path.is_file() and (path.suffix == ".py" or (not path.suffix and _is_python(path)))
    )


def _is_python(path: Path) -> bool:
    with path.open("rb") as opened:
        first = opened.readline(80)
    return first.startswith(b"#!") and b"python" in first


def test_one_place_loads_it():
    files = programs()
    assert len(files) > 200
    naming = [
        path for path in files if "onnxruntime" in path.read_text()
    ]  # to read all as programs takes minutes
    assert [path for path in naming if loads(path.read_text())] == [PLACE]


@pytest.mark.parametrize(
    "source",
    [
        "import onnxruntime",
        "import onnxruntime as ort",
        "import os, onnxruntime.quantization",
        "from onnxruntime import InferenceSession",
        "from onnxruntime.quantization import QuantType",
        "def f():\n    import onnxruntime",
        "import importlib\nimportlib.import_module('onnxruntime')",
        "import importlib\nname = 'x'\nimportlib.import_module(f'onnxruntime.{name}')",
        "__import__('onnxruntime')",
        "import pytest\npytest.importorskip('onnxruntime')",
    ],
)
def test_the_check_itself_catches(source):
    assert loads(source)


@pytest.mark.parametrize("source", ["import onnx", "from . import onnxruntime", "name = 'onnxruntime'"])
def test_the_check_itself_lets_pass(source):
    assert loads(source) == []


def alone(program: str) -> str:
    """Return what `program` prints in a process without the variable."""
    environ = {"PATH": "/usr/bin:/bin", "HOME": "/nonexistent"}
    return subprocess.run(
        [sys.executable, "-c", program], env=environ, capture_output=True, text=True, check=True
    ).stdout


def test_the_variable_is_set_before_the_library_is_loaded():
    program = (
        "import os, sys\n"
        "class Watch:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'onnxruntime': print(os.environ.get('ORT_DISABLE_TELEMETRY'))\n"
        "sys.meta_path.insert(0, Watch())\n"
        "from dooryard.classify import runtime\n"
        "print('onnxruntime' in sys.modules)\n"
        "runtime.load()\n"
        "print('onnxruntime' in sys.modules)\n"
    )
    assert alone(program).split() == ["False", "1", "True"]


def test_the_library_s_own_switch_is_used_too(monkeypatch):
    called = []
    module = runtime.load()
    monkeypatch.setattr(module, "disable_telemetry_events", lambda: called.append("off"))
    assert runtime.load() is module
    assert called == ["off"]


def test_a_part_of_it():
    assert runtime.load("quantization").__name__ == "onnxruntime.quantization"


def test_somebody_else_s_wish_is_overruled():
    environ = {runtime.SWITCH: "0"}
    runtime.silence(environ)
    assert environ == {"ORT_DISABLE_TELEMETRY": "1"}
