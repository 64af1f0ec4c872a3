"""A busy garden's day through the outbox, with a simulated clock: memory, disk, and the card's wear.

    python tools/bench_outbox.py [--visits 2000] [--gate-kb 210] [--place-kb 700]

Simulated days of 24 hours: visits from 5:00 to 21:00, each stored with a picture and told to two sinks;
pictures are as large as they may be, and while they are the good ones, every second visit has a clearly
better one at its end (see `imaging.size_budget`); the program's states saved by the minute, what the gate
and the classifier learned as the visit store does; upkeep by the hour; no network from 10:00 to 13:00. The
disk and its flushes are real.

Bytes written are the process's own `write_bytes` of /proc/self/io (proc(5)): what it caused to be sent to
the storage layer, in whole pages. The file system's own journal comes on top, and so does what a card
writes inside itself. On a file system in memory the figure is 0, and the bench says so and ends with 1.
Figures are of the last day; the days before warm it up. Memory is the resident set at the end of each hour:
its growth is the highest of the last day less the highest of all days before. It settles with the second
contact sheet of late alerts, so two days come before the one that counts.
"""

from __future__ import annotations

import argparse
import gc
import heapq
import io
import json
import logging
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psutil
from PIL import Image

from dooryard.core.clock import FakeClock
from dooryard.core.ids import id_for
from dooryard.core.malloc import keep_memory_flat  # as the service does
from dooryard.core.records import Alert, Box, Clause, Decision, Moment, Outcome, Visit, Visitor
from dooryard.imaging.size_budget import GOOD, SMALL, PictureDay
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import VISIT_PICTURE, Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.policy.schema import Keeping
from dooryard.service.saving import GATE_EVERY_S, PLACE_EVERY_S, STATES_EVERY_S
from dooryard.sinks.base import SendOutcome, SendResult

MIDNIGHT = datetime(2026, 6, 14, 0, 0, tzinfo=UTC)
DAY_S = 86_400
DAWN_S, DUSK_S = 5 * 3600, 21 * 3600
GOOD_BYTES = Keeping().good_megabytes_a_day * 1_000_000
DARK_NET_S = (10 * 3600, 13 * 3600)
SINKS = ("phone", "post")
_MIB = 2**20


class Receiver:
    """Takes everything while there is a network."""

    def __init__(self, name: str, clock: FakeClock) -> None:
        self.name = name
        self.taken = 0
        self._clock = clock

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        del alert, picture
        second = (self._clock.now().wall - MIDNIGHT).total_seconds() % DAY_S
        if DARK_NET_S[0] <= second < DARK_NET_S[1]:
            return SendResult(SendOutcome.NOT_SENT, "the name was not found")
        self.taken += 1
        return SendResult(SendOutcome.SENT, "taken")

    def close(self) -> None:
        """Nothing is open."""


def picture_of(size_bytes: int) -> bytes:
    """A JPEG of that size or a little less: noise, as wide as fits."""
    chance = np.random.default_rng(1)
    before = b""
    for width in range(64, 4096, 8):
        pixels = chance.integers(0, 256, (width * 3 // 4, width, 3), np.uint8)
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "JPEG", quality=60)
        if out.tell() > size_bytes:
            return before
        before = out.getvalue()
    raise SystemExit(f"no picture of {size_bytes} bytes could be made")


def written_bytes() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))


class Days:
    """The days' store, workers and figures."""

    def __init__(self, folder: Path, arguments: argparse.Namespace) -> None:
        self.arguments = arguments
        self.clock = FakeClock(MIDNIGHT)
        self.store = Store.open(folder, self.clock)
        self.receivers = [Receiver(name, self.clock) for name in SINKS]
        log = logging.getLogger("bench")
        log.setLevel(logging.CRITICAL)
        self.workers = [
            DeliveryWorker(self.store, sink, self.clock, log, rules=RetryRules(), jitter=lambda: 0.5)
            for sink in self.receivers
        ]
        self.jpegs = {size: picture_of(size.most_bytes) for size in (GOOD, SMALL)}
        self.pictures = PictureDay()
        self.picture_bytes = 0  # of the day
        self.resident: list[int] = []
        self.folder_bytes: list[int] = []
        self.written = 0  # bytes, if somebody counts them

    def run(self, day: int) -> None:
        """The `day`-th day, from 0 on."""
        for second, what, number in self._events(day):
            self._pass_until(second)
            getattr(self, f"_{what}")(number)

    def _events(self, day: int) -> Iterator[tuple[float, str, int]]:
        """(seconds from the start, what, number), in order."""
        midnight_s = DAY_S * day
        numbers = range(day * self.arguments.visits, (day + 1) * self.arguments.visits)
        return heapq.merge(
            ((midnight_s + minute * 60.0, "minute", minute) for minute in range(1, 24 * 60 + 1)),
            ((midnight_s + hour * 3600.0 - 1, "hour", hour) for hour in range(1, 25)),
            ((self._start_s(number), "visit", number) for number in numbers),
            ((self._start_s(number) + 20, "end", number) for number in numbers),
        )

    def _start_s(self, number: int) -> float:
        visits: int = self.arguments.visits
        day, number = divmod(number, visits)
        return DAY_S * day + DAWN_S + (DUSK_S - DAWN_S) * number / visits

    def _pass_until(self, second: float) -> None:
        """Let the workers work until then."""
        end_s = 7_000_000.0 + second
        while True:
            waits = [wait_s for worker in self.workers if (wait_s := worker.tick()) is not None]
            now_s = self.clock.now().mono_s
            step_s = min([end_s - now_s, *waits])
            if step_s <= 0 and 0.0 not in waits:
                return
            self.clock.advance(max(0.0, step_s))
            if now_s >= end_s:
                return

    def _visit(self, number: int) -> None:
        one = self._record(number)
        decision = Decision(
            one.id, Outcome.TELL, SINKS, "any bird", (Clause("sure", True, "84 %"),), "A bird."
        )
        alert = Alert(
            id=id_for(b"alerts", number, one.start.wall),
            kind="visit",
            wall=one.start.wall,
            clock_set=True,
            title="A house finch at Alder Row, 14:05",
            text="A house finch (Haemorhous mexicanus), 84 % sure; came today at 14:05, has stayed 12 s.",
            sinks=SINKS,
            visit=one.id,
            visitor=one.visitor,
            picture=VISIT_PICTURE,
        )
        self.store.record_visit(one, self._picture(number), decision, [alert])

    def _end(self, number: int) -> None:
        one = self._record(number)
        good = self.pictures.size(self.clock.now().wall.date(), GOOD_BYTES) is GOOD
        better = self._picture(number) if number % 2 and good else None
        self.store.update_visit(replace(one, end=self.clock.now()), better)

    def _minute(self, number: int) -> None:
        states = {}
        by_day = DAWN_S <= self.clock.now().wall.hour * 3600 < DUSK_S  # each visit changes the cooldowns
        if by_day or number * 60 % STATES_EVERY_S == 0:
            states = {"policy": os.urandom(600), "last_frame": os.urandom(32)}
        if number * 60 % GATE_EVERY_S == 0:
            states["gate"] = os.urandom(self.arguments.gate_kb * 1000)
        if number * 60 % PLACE_EVERY_S == 0:
            states["place"] = os.urandom(self.arguments.place_kb * 1000)
        self.store.save_states(states)

    def _hour(self, number: int) -> None:
        del number
        self.store.upkeep(60, self.arguments.keep_mb * 1_000_000, self.clock.now().wall)
        gc.collect()
        self.resident.append(psutil.Process().memory_info().rss)
        self.folder_bytes.append(
            sum(path.stat().st_size for path in self.store.folder.rglob("*") if path.is_file())
        )

    def _picture(self, number: int) -> bytes:
        today = self.clock.now().wall.date()
        jpeg = self.jpegs[self.pictures.size(today, GOOD_BYTES)]
        self.pictures = self.pictures.with_one(today, len(jpeg))
        self.picture_bytes += len(jpeg)
        return jpeg + number.to_bytes(8, "big")  # what follows a JPEG's end is not looked at

    def _record(self, number: int) -> Visit:
        start_s = self._start_s(number)
        at = Moment(MIDNIGHT + timedelta(seconds=start_s), 7_000_000.0 + start_s)
        visitor = Visitor("bird", 0.84, "house finch", "Haemorhous mexicanus")
        return Visit(id_for(b"visits", number, at.wall), at, at, visitor, 7, Box(0, 0, 1, 1), None, 1.0)


def main() -> None:
    parser = argparse.ArgumentParser(description="A busy garden's day through the outbox.")
    parser.add_argument("--visits", type=int, default=2000, help="a day")
    parser.add_argument("--days", type=int, default=3, help="2 or more")
    parser.add_argument("--gate-kb", type=int, default=210, help="size of the gate's saved memory")
    parser.add_argument("--place-kb", type=int, default=700, help="size of the classifier's")
    parser.add_argument("--keep-mb", type=int, default=500, help="the folder's bound")
    parser.add_argument("--folder", type=Path, help="on the disk to be measured; else a temporary one")
    arguments = parser.parse_args()
    keep_memory_flat()
    with tempfile.TemporaryDirectory(dir=arguments.folder) as folder:
        day = Days(Path(folder) / "state", arguments)
        written = 0
        for number in range(arguments.days):
            before, day.picture_bytes = written_bytes(), 0
            day.run(number)
            written = written_bytes() - before
        counts = day.store.counts()
        day.store.close()
    figures = {
        "visits": arguments.visits,
        "written_mb_a_day": round(written / 1e6, 1),
        "pictures_mb_a_day": round(day.picture_bytes / 1e6, 1),
        "resident_mib_at_most": round(max(day.resident) / _MIB, 1),
        "grown_mib_on_the_last_day": round((max(day.resident[-24:]) - max(day.resident[:-24])) / _MIB, 2),
        "largest_folder_mb": round(max(day.folder_bytes) / 1e6, 1),
        "deliveries": counts,
        "messages": [receiver.taken for receiver in day.receivers],
    }
    print(json.dumps(figures))
    sys.exit(0 if written else 1)


if __name__ == "__main__":
    main()
