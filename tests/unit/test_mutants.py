"""The tables of the tool that changes the core to see whether a test notices."""

from __future__ import annotations

import pytest

import mutants


@pytest.mark.parametrize("module", mutants.MODULES)
def test_its_modules_and_their_tests_are_there(module: str) -> None:
    assert (mutants.PACKAGE / f"{module}.py").exists()
    for name in mutants.MODULES[module]:
        assert (mutants.ROOT / "tests" / "unit" / name).exists()


def test_what_is_said_to_alter_nothing_is_about_lines_that_are_there() -> None:
    for module, entries in mutants.accepted().items():
        lines = {line.strip() for line in (mutants.PACKAGE / f"{module}.py").read_text().splitlines()}
        for entry in entries:
            assert set(entry) == {"line", "now", "why"}
            assert entry["line"] in lines, f"{module}: {entry['line']}"
            assert entry["line"] != entry["now"]


def test_a_change_of_the_text_alone_means_the_same() -> None:
    def meaning(text: str) -> str | None:
        return mutants.meaning(f"from __future__ import annotations\n{text}")

    assert meaning("def f(a: int | None) -> int: ...") == meaning("def f(a: int & None) -> str:\n    ...")
    assert meaning("x: int = 1") == meaning("x: str = 1")
    assert meaning("x = 1") != meaning("x = 2")
    assert meaning("x = = 1") is None
