"""Mutation testing: single changes to the pure core, each tried against the tests of its module.

    python tools/mutants.py                       a sample of each module
    python tools/mutants.py policy/decide --all   every change of one module

The changes are made by cosmic-ray's operators (pip install "dooryard[mutants]"), in memory: no file is
touched. Each is imported by a fork of this process, which runs the tests until one fails. What survives and
is known to change nothing is listed in `tools/mutants.toml`, line by line, with the reason.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import gc
import importlib
import importlib.abc
import importlib.machinery
import os
import random
import select
import signal
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "daemon" / "dooryard"
ACCEPTED = Path(__file__).with_suffix(".toml")
PATIENCE_S = 60.0  # a change that makes a loop endless is noticed

_DECIDE = "decide rate_limit patience own_sinks mute holding keeping say silence"
MODULES: dict[str, tuple[str, ...]] = {
    "policy/decide": tuple(f"policy/test_{name}.py" for name in _DECIDE.split()),
    "policy/hours": tuple(
        f"policy/test_{name}.py" for name in ("hours", "times", "almanac", "parse", "holding")
    ),
    "health/thermal": ("policy/test_thermal.py",),
    "tracking/visits": ("test_visits.py",),
    "tracking/track": ("test_track.py", "test_visits.py"),
    "tracking/evidence": ("classify/test_evidence.py",),
    "outbox/schedule": ("outbox/test_schedule.py",),
    "gate/score": ("gate/test_score.py",),
}
"""Each module, and its tests under tests/unit."""

PRELOADED = ("numpy", "pydantic", "hypothesis", "pytest", "xdist")

OPERATORS = {
    **dict.fromkeys(("AddNot", "NumberReplacer", "ReplaceAndWithOr", "ReplaceOrWithAnd"), ""),
    **dict.fromkeys(("ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ZeroIterationForLoop"), ""),
    **dict.fromkeys(("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ExceptionReplacer"), ""),
    "ReplaceUnaryOperator": "Delete_Not USub_UAdd",
    "ReplaceComparisonOperator": "Eq_NotEq NotEq_Eq Is_IsNot IsNot_Is "
    "Lt_LtE Lt_GtE LtE_Lt LtE_Gt Gt_GtE Gt_LtE GtE_Gt GtE_Lt",
    "ReplaceBinaryOperator": "Add_Sub Sub_Add Mul_Div Div_Mul FloorDiv_Mul Mod_Mul Pow_Mul "
    "BitOr_BitAnd BitAnd_BitOr",
}
"""Which of cosmic-ray's changes are made: of a comparison its bound and its opposite, not all the others."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the operator, which of its places in the module, and the module's text with it."""

    operator: str
    occurrence: int
    line: int
    was: str
    now: str
    text: str


def mutants(source: str) -> Iterator[Mutant]:
    """Every change that alters what the module compiles to, each once."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    seen = {meaning(source)}
    for name in sorted(f"core/{each}" for each in _operators()):
        operator = get_operator(name)()
        occurrence = 0
        while (text := mutate_code(source, operator, occurrence)) is not None:
            means = meaning(text)
            if means is not None and means not in seen:
                seen.add(means)
                if text.count("*,") < source.count("*,"):
                    continue  # cosmic-ray takes the mark before keyword-only arguments for a product
                line, was, now = _difference(source, text)
                if not was.startswith("@"):  # that a class is frozen is the type checker's to notice
                    yield Mutant(name.removeprefix("core/"), occurrence, line, was, now, text)
            occurrence += 1


def _operators() -> Iterator[str]:
    for name, kinds in OPERATORS.items():
        yield from (f"{name}_{kind}" for kind in kinds.split()) if kinds else (name,)


def meaning(text: str) -> str | None:
    """The module's syntax without annotations and docstrings; None where it is no Python."""
    try:
        tree = ast.parse(text)
    except SyntaxError:
        return None
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            node.returns = None
        elif isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(value=None)
    return ast.dump(tree)


def _difference(source: str, text: str) -> tuple[int, str, str]:
    """The first line that differs, as it was and as it is now."""
    before, after = source.splitlines(), text.splitlines()
    matcher = difflib.SequenceMatcher(a=before, b=after, autojunk=False)
    for tag, a, b, c, d in matcher.get_opcodes():
        if tag != "equal":
            return a + 1, " ".join(before[a:b]).strip(), " ".join(after[c:d]).strip()
    raise AssertionError("no difference")


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Gives the import of one module another text."""

    def __init__(self, name: str, path: Path, text: str) -> None:
        self._name, self._path, self._text = name, path, text

    def find_spec(
        self, name: str, path: object = None, target: object = None
    ) -> importlib.machinery.ModuleSpec | None:
        del path, target
        if name != self._name:
            return None
        return importlib.machinery.ModuleSpec(name, self, origin=str(self._path))

    def get_source(self, fullname: str) -> str:
        del fullname
        return self._text

    def get_code(self, fullname: str) -> CodeType:
        del fullname
        return compile(self._text, str(self._path), "exec")


def _noticed(module: str, text: str, tests: Sequence[str]) -> bool:
    """Whether a test fails with that text of the module, in a fork."""
    child = os.fork()
    if child == 0:
        os.setsid()
        code = 1
        try:
            code = _run(module, text, tests)
        finally:
            os._exit(0 if code == 0 else 1)  # 0: all pass, nothing noticed
    watch = os.pidfd_open(child)
    ended, _, _ = select.select([watch], [], [], PATIENCE_S)
    if not ended:
        os.killpg(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    os.close(watch)
    return not (os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0)


def _run(module: str, text: str, tests: Sequence[str]) -> int:
    import pytest

    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    name = "dooryard." + module.replace("/", ".")
    sys.meta_path.insert(0, _Changed(name, PACKAGE / f"{module}.py", text))
    os.chdir(ROOT)
    options = [
        "-q",
        "-x",
        "--assert=plain",
        "-n",
        "0",
        "-p",
        "no:cacheprovider",
        "--hypothesis-seed=1",
        "-m",
        "not process",
    ]
    return int(pytest.main([*options, *tests]))


def accepted() -> dict[str, list[dict[str, str]]]:
    """By module, the changes that are known to alter nothing: the line, what it becomes, and why."""
    return tomllib.loads(ACCEPTED.read_text(encoding="utf-8"))


def tried(module: str, *, sample: int | None, seed: int) -> tuple[int, int, int]:
    """Try a module's changes. Returns how many were noticed, tried, and are known to alter nothing."""
    source = (PACKAGE / f"{module}.py").read_text(encoding="utf-8")
    tests = [str(ROOT / "tests" / "unit" / name) for name in MODULES[module]]
    if _noticed(module, source, tests):
        raise SystemExit(f"{module}: its tests fail without any change; see: tools/test {' '.join(tests)}")
    known = {(each["line"], each["now"]) for each in accepted().get(module, [])}
    every = list(mutants(source))
    dice = random.Random(seed)  # noqa: S311  for a sample, not for a secret
    chosen = every if sample is None else dice.sample(every, min(sample, len(every)))
    noticed = equal = 0
    for mutant in sorted(chosen, key=lambda each: each.line):
        if (mutant.was, mutant.now) in known:
            equal += 1
        elif _noticed(module, mutant.text, tests):
            noticed += 1
        else:
            print(
                f"  {module}.py:{mutant.line}: {mutant.operator}\n    - {mutant.was}\n    + {mutant.now}",
                flush=True,
            )
    return noticed, len(chosen) - equal, equal


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("module", nargs="*", choices=[[], *MODULES], help="which; left out: each")
    parser.add_argument("--sample", type=int, default=60, help="how many changes of each module")
    parser.add_argument("--all", action="store_true", help="all changes")
    parser.add_argument("--seed", type=int, default=1, help="of the sample")
    asked = parser.parse_args()
    sys.path[:0] = [str(ROOT / "tools"), str(ROOT / "tests")]
    for name in PRELOADED:
        importlib.import_module(name)
    gc.freeze()
    for module in asked.module or MODULES:
        noticed, count, equal = tried(module, sample=None if asked.all else asked.sample, seed=asked.seed)
        without = f", {equal} known to alter nothing" if equal else ""
        print(f"{module}: {noticed} of {count} noticed ({noticed / count:.2f}){without}", flush=True)


if __name__ == "__main__":
    main()
