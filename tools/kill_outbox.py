"""Kills the outbox with SIGKILL at random instants, again and again, and counts what is lost.

    python tools/kill_outbox.py --rounds 1000 [--seed 1] [--folder DIR]

Each round forks a child that stores visits with a picture and delivers their alerts to a receiver in one
of three moods (takes it, is not reached, may have taken it), and is killed: a fifth of the rounds while it
still starts, the others up to 60 ms after its first word. After each kill the store is opened and looked
over. Every 25 rounds what still waits is delivered, the books are closed, and a fresh folder is begun.

It prints one line of JSON and ends with 1 if anything was lost, half or nameless. A kill leaves what was
written in the kernel's hands, so this says nothing of power cuts; tests/faults/test_outbox_kills.py does.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import select
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from logging import CRITICAL, getLogger
from pathlib import Path
from typing import NoReturn

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # a fork takes no threads along

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.ids import id_for
from dooryard.core.records import Alert, Box, Clause, Decision, Moment, Outcome, Visit, Visitor
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import VISIT_PICTURE, Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult

START = datetime(2026, 6, 14, 5, 0, tzinfo=UTC)
JPEG = b"\xff\xd8" + bytes(range(256)) * 60 + b"\xff\xd9"
BETTER = b"\xff\xd8better" * 2000
ROUNDS_A_FOLDER = 25
LONGEST_S = 0.06
RULES = RetryRules(first_s=0.002, cap_s=0.01, per_hour=1e9, burst=10**6, late_after_s=1e9)
LOG = getLogger("dooryard.kills")
LOG.setLevel(CRITICAL + 1)


@dataclass
class Score:
    """What came of it. The first group must stay 0."""

    lost: int = 0  # stored, but neither told nor waiting
    half: int = 0  # a picture file that is not whole or not of a visit, a leftover, a note of damage
    nameless: int = 0  # alerts without an id, or told under one that nobody stored
    rounds: int = 0
    stored: int = 0
    told: int = 0  # different alerts; some were stored by a child that was killed before it could say so
    repeats: int = 0  # told again, under the same id
    killed_while_starting: int = 0
    seconds: float = 0.0


@dataclass
class Books:
    """What the children of one folder said."""

    stored: set[int] = field(default_factory=set)
    told: Counter[str] = field(default_factory=Counter)
    lost: set[int] = field(default_factory=set)


class Receiver:
    """Says each id that it takes, in one write, and answers by its mood."""

    name = "phone"

    def __init__(self, chance: random.Random, out: int | None) -> None:
        self.taken: list[str] = []
        self._chance, self._out = chance, out

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        mood = self._chance.random() if self._out is not None else 1.0
        if mood < 0.2:
            return SendResult(SendOutcome.NOT_SENT, "not reached")
        whole = picture == JPEG
        if self._out is not None:
            os.write(self._out, f"told {alert.id if whole else 'half'}\n".encode())
        self.taken.append(alert.id if whole else "half")
        return SendResult(SendOutcome.MAYBE_SENT if mood < 0.35 else SendOutcome.SENT, "taken")

    def close(self) -> None:
        """Nothing is open."""


def dice(seed: int) -> random.Random:
    return random.Random(seed)  # noqa: S311  (chance, not secrecy)


def visit(number: int) -> Visit:
    at = Moment(START + timedelta(seconds=number), 1000.0 + number)
    return Visit(
        id_for(b"visits", number, at.wall),
        at,
        at,
        Visitor("bird", 0.9),
        3,
        Box(0, 0, 1, 1),
        None,
        1.0,
    )


def alert(of: Visit) -> Alert:
    return Alert(
        id=id_for(b"alerts", round(of.start.mono_s) - 1000, of.start.wall),
        kind="visit",
        wall=of.start.wall,
        clock_set=True,
        title="a bird",
        text="It came.",
        sinks=("phone",),
        visit=of.id,
        visitor=of.visitor,
        picture=VISIT_PICTURE,
    )


def child(folder: Path, first: int, seed: int, out: int) -> NoReturn:
    """Store and deliver until killed."""
    clock = SystemClock()
    store = Store.open(folder, clock)
    receiver = Receiver(dice(seed), out)
    dispatcher = Dispatcher(store, [receiver], clock, LOG, rules=RULES)
    dispatcher.start()
    number = first
    while True:
        one = visit(number)
        decision = Decision(one.id, Outcome.TELL, ("phone",), "any", (Clause("sure", True, "yes"),), "Yes.")
        store.record_visit(one, JPEG, decision, [alert(one)])
        os.write(out, f"stored {number}\n".encode())
        dispatcher.wake()
        if number % 3 == 0:
            store.update_visit(one, BETTER)
        store.save_states({"gate": os.urandom(20_000)})
        number += 1


def one_round(folder: Path, first: int, chance: random.Random, books: Books) -> bool:
    """Fork, wait, kill, listen. True when it was killed before it said anything."""
    ear, mouth = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(ear)
        try:
            child(folder, first, chance.randrange(2**30), mouth)
        finally:
            os._exit(1)
    os.close(mouth)
    early = chance.random() < 0.2
    heard = b"" if early else os.read(ear, 65536)  # its first words
    ended = not (early or heard)
    end_s = time.monotonic() + chance.random() * LONGEST_S
    while (left_s := end_s - time.monotonic()) > 0 and select.select([ear], [], [], left_s)[0]:
        more = os.read(ear, 65536)
        ended |= not more
        if not more:
            break
        heard += more
    os.kill(pid, signal.SIGKILL)
    while more := os.read(ear, 65536):
        heard += more
    os.close(ear)
    os.waitpid(pid, 0)
    if ended:
        sys.exit("a child ended by itself")
    whole = heard[: heard.rfind(b"\n") + 1].decode()  # the last line may be torn
    for word, what in (line.split() for line in whole.splitlines()):
        if word == "stored":
            books.stored.add(int(what))
        else:
            books.told[what] += 1
    return not heard


def look_over(folder: Path, books: Books, score: Score, *, finish: bool) -> None:
    """Open the store as the next start would; with `finish`, deliver what waits and close the books."""
    clock = FakeClock()
    store = Store.open(folder, clock)
    score.half += sum("damaged" in note or "missing" in note or "length" in note for note in store.notes)
    files = [path for path in (folder / "pictures").rglob("*") if path.is_file()]
    score.half += sum(path.read_bytes() not in {JPEG, BETTER} for path in files)
    visits = store.visits_between(START, START + timedelta(days=3650))
    score.half += sum(not any(path.name.startswith(each.id) for each in visits) for path in files)
    waiting = {each.alert for each in store.pending("phone", limit=10**6)}
    score.nameless += sum(not each for each in waiting)
    for number in books.stored:
        found = store.visit(visit(number).id)
        known = alert(visit(number)).id
        picture = found and found.picture and store.read_picture(found.picture)
        if not picture or known not in waiting | books.told.keys():
            books.lost.add(number)
    if finish:
        receiver = Receiver(dice(0), None)
        worker = DeliveryWorker(store, receiver, clock, LOG, rules=RULES, jitter=lambda: 1.0)
        while (wait_s := worker.tick()) is not None:
            clock.advance(wait_s)
        books.told.update(receiver.taken)
        close(books, store, score)
    store.close()


def close(books: Books, store: Store, score: Score) -> None:
    score.stored += len(books.stored)
    untold = {number for number in books.stored if alert(visit(number)).id not in books.told}
    score.lost += len(books.lost | untold)
    score.half += books.told.pop("half", 0)
    score.nameless += sum(store.alert(told) is None for told in books.told)
    score.told += len(books.told)
    score.repeats += books.told.total() - len(books.told)


def run(rounds: int, seed: int, folder: Path) -> Score:
    """All rounds; the folder is left as it is at the end."""
    chance, score, books = dice(seed), Score(), Books()
    began_s = time.monotonic()
    state = folder / "0"
    for number in range(rounds):
        score.killed_while_starting += one_round(state, number * 10_000, chance, books)
        score.rounds += 1
        last = number + 1 == rounds or (number + 1) % ROUNDS_A_FOLDER == 0
        look_over(state, books, score, finish=last)
        if last:
            books, state = Books(), folder / str(number + 1)
    score.seconds = round(time.monotonic() - began_s, 1)
    return score


def main() -> None:
    parser = argparse.ArgumentParser(description="Kill the outbox at random instants and count what is lost.")
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="left behind for a look; else a temporary one")
    arguments = parser.parse_args()
    if arguments.folder:
        score = run(arguments.rounds, arguments.seed, arguments.folder)
    else:
        with tempfile.TemporaryDirectory() as folder:
            score = run(arguments.rounds, arguments.seed, Path(folder))
    print(json.dumps(asdict(score)))
    sys.exit(1 if score.lost or score.half or score.nameless else 0)


if __name__ == "__main__":
    main()
