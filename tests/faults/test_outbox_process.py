"""Real processes killed with SIGKILL while they store and deliver: nothing that was stored is lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from dooryard.clock import FakeClock
from dooryard.outbox.store import Store
from unit.outbox.builders import JPEG, MONO_S, START, alert, visit

TESTS = Path(__file__).parents[1]
ROUNDS, VISITS_BEFORE_KILL = 6, 4

# Stores visit after visit and says each id once it is stored; a sink that always works takes the alerts and
# says their ids. It ends when it is killed.
PROGRAM = """
import logging, os, sys
from pathlib import Path
from dooryard.clock import SystemClock
from dooryard.outbox.delivery import Delivery
from dooryard.outbox.store import Store
from dooryard.sinks.base import Answer, Fate
from unit.outbox.builders import JPEG, alert, decision, visit

def say(*words):  # in one write, as two threads speak
    os.write(1, (" ".join(map(str, words)) + "\\n").encode())

class Saying:
    name = "phone"
    def send(self, told, picture):
        assert picture == JPEG
        say("told", told.id)
        return Answer(Fate.SENT, "said")
    def close(self):
        pass

store = Store.open(Path(sys.argv[1]), SystemClock())
delivery = Delivery(store, [Saying()], SystemClock(), logging.getLogger("x"))
delivery.start()
number = int(sys.argv[2])
while True:
    one = visit(number)
    store.record_visit(one, JPEG, decision(one), [alert(number, one)])
    say("stored", number)
    delivery.wake()
    number += 1
"""


@pytest.mark.process
def test_killed_in_full_swing(tmp_path: Path) -> None:
    stored: set[int] = set()
    told: list[str] = []
    for round_ in range(ROUNDS):
        command = [sys.executable, "-c", PROGRAM, str(tmp_path), str(1000 * round_)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=TESTS) as process:
            assert process.stdout is not None
            seen = 0
            lines = []
            while seen < VISITS_BEFORE_KILL + round_:
                line = process.stdout.readline()
                assert line, "the program ended by itself"
                lines.append(line)
                seen += line.startswith("stored")
            process.kill()
            lines += process.stdout.readlines()
        # The last line may be torn by the kill.
        for word, what in (line.split() for line in lines if line.endswith("\n")):
            if word == "stored":
                stored.add(int(what))
            else:
                told.append(what)
    store = Store.open(tmp_path, FakeClock(START, MONO_S))
    waiting = {each.alert for each in store.pending("phone", limit=10_000)}
    for number in stored:
        found = store.visit(visit(number).id)
        assert found is not None
        assert found.picture is not None
        assert store.read_picture(found.picture) == JPEG
        # Told at least once, or still to be told.
        assert alert(number, visit(number)).id in waiting | set(told)
    assert not list(tmp_path.rglob("*.tmp"))
    assert not any("damaged" in note or "missing" in note for note in store.notes)
    assert len(stored) >= ROUNDS * VISITS_BEFORE_KILL
    store.close()
