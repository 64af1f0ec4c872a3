"""Every command keeps small sums on one thread, unless the owner says otherwise."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

CODE = """
import os, sys
import dooryard.cli.main
assert "numpy" not in sys.modules, "too late: numpy has read the environment"
try:
    dooryard.cli.main.main(["--version"])
except SystemExit:
    pass
print(os.environ["OMP_NUM_THREADS"])
"""


@pytest.mark.parametrize(("given", "used"), [(None, "1"), ("3", "3")])
def test_small_sums_stay_on_one_thread_unless_told_otherwise(given: str | None, used: str) -> None:
    env = {name: value for name, value in os.environ.items() if name != "OMP_NUM_THREADS"}
    env |= {} if given is None else {"OMP_NUM_THREADS": given}
    done = subprocess.run([sys.executable, "-c", CODE], env=env, capture_output=True, text=True, check=True)
    assert done.stdout.split()[-1] == used
