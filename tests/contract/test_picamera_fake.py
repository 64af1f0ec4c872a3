"""The fake camera library is no kinder than the real class: both are asked the same, case by case."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from dooryard.core.clock import FakeClock
from fakes import picamera2_cases
from fakes.picamera2_fake import Board, plug_in
from fakes.real_picamera2 import VERSIONS, StandIn

pytestmark = pytest.mark.process


def of_the_fake(case: str, version: str, monkeypatch: pytest.MonkeyPatch) -> str:
    board = Board(FakeClock())
    first, second, third = map(int, version.split("."))
    board.version = first, second, third
    plug_in(board, monkeypatch)

    def set_(**switches: Any) -> None:
        for name, value in switches.items():
            match name, value:
                case "frames", True:
                    board.script = "f" * 1000
                case "frames", False:
                    board.script = "s" * 1000
                case "heap", "refused":
                    board.heap_fault = PermissionError(13, "Permission denied", "/dev/dma_heap/linux,cma")
                case "heap", "there":
                    board.heap_fault = None
                case "heap", "full":
                    board.cma_bytes = 0
                case _:
                    assert hasattr(board, name)
                    setattr(board, name, value)

    return picamera2_cases.CASES[case](set_)


def of_the_real_one(case: str, board: StandIn) -> str:
    ran = subprocess.run(
        [sys.executable, str(Path(picamera2_cases.__file__)), case],
        env=board.environ(), capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    return ran.stdout.strip()


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("case", sorted(picamera2_cases.CASES))
def test_the_fake_does_as_the_real_class(case, version, tmp_path, monkeypatch):
    real = of_the_real_one(case, StandIn(tmp_path, version))
    assert of_the_fake(case, version, monkeypatch) == real
