"""Real processes killed with SIGKILL while they store and deliver: nothing that was stored is lost.

Twenty rounds by default. The long run, some minutes: ``python tools/kill_outbox.py --rounds 1000``, or this
test with ``DOORYARD_KILL_ROUNDS=1000`` in its environment.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TOOL = Path(__file__).parents[2] / "tools" / "kill_outbox.py"
ROUNDS = int(os.environ.get("DOORYARD_KILL_ROUNDS", "20"))


@pytest.mark.process
def test_killed_at_random_instants(tmp_path: Path) -> None:
    # A process of its own: it forks, which a process with threads must not do.
    command = [sys.executable, str(TOOL), "--rounds", str(ROUNDS), "--folder", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60 + ROUNDS, check=False)
    assert done.returncode == 0, done.stderr + done.stdout
    score = json.loads(done.stdout)
    assert (score["lost"], score["half"], score["nameless"]) == (0, 0, 0)
    assert score["rounds"] == ROUNDS
    assert score["stored"] >= ROUNDS / 2
    assert score["told"] >= score["stored"]
