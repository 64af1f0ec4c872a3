"""How long the journal takes: a day of 200 visits, a year of 5,000, and one visit more.

CPU seconds of this process on this machine; the pictures are 640 x 480 unless --large is given. Prints a
table, and exits with 1 when the day's pages take more than a second.
"""

from __future__ import annotations

import argparse
import io
import random
import resource
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from PIL import Image, ImageDraw

from dooryard.clock import FakeClock
from dooryard.ids import id_for
from dooryard.journal.build import Built, build
from dooryard.outbox.durable import Disk
from dooryard.outbox.store import Store
from dooryard.policy.schema import Place, Policy
from dooryard.records import Box, Clause, Decision, Moment, Outcome, Visit, Visitor

LIMIT_S = 1.0
NOW = datetime(2026, 6, 14, 20, 0, tzinfo=UTC)
POLICY = Policy(place=Place(name="Alder Row", latitude=51.752, longitude=-1.258, time_zone="Europe/London"))
VISITORS = (
    Visitor("bird", 0.97), Visitor("bird", 0.84, "house finch", "Haemorhous mexicanus"),
    Visitor("squirrel", 0.7), Visitor("cat", 0.9), Visitor("rabbit", 0.55),
    Visitor("bird", 0.6, "goldfinch", "Carduelis carduelis"),
)  # fmt: skip


class QuickDisk(Disk):
    """A disk that doesn't flush: what is measured is work, not a card's patience."""

    def sync(self, descriptor: int) -> None:
        """Leave it to the system."""

    def sync_folder(self, path: Path) -> None:
        """Leave it to the system."""


def jpeg(chance: random.Random, size: tuple[int, int]) -> bytes:
    """A picture of a plain garden with noise, about as large as a real one."""
    picture = Image.effect_noise(size, 40).convert("RGB")
    x, y = chance.randrange(size[0] - 80), chance.randrange(size[1] - 80)
    ImageDraw.Draw(picture).ellipse((x, y, x + 70, y + 60), fill=(90, 60, 40))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=80)
    return out.getvalue()


def fill(folder: Path, count: int, days: int, size: tuple[int, int], first: int = 0) -> None:
    """Store `count` visits, spread over the last `days` days."""
    chance = random.Random(first)  # noqa: S311  (the same visits each time, nothing secret)
    pictures = [jpeg(chance, size) for _ in range(4)]
    store = Store.open(folder, FakeClock(), disk=QuickDisk())
    for number in range(first, first + count):
        start = NOW - timedelta(days=chance.randrange(days), minutes=chance.randrange(14 * 60))
        end = start + timedelta(seconds=chance.randrange(3, 120))
        visit = Visit(
            id_for(b"bench", number, start), Moment(start, 0.0), Moment(end, 60.0),
            chance.choice(VISITORS), 9, Box(0.3, 0.3, 0.5, 0.6), None, 1.0, Moment(end, 60.0),
        )  # fmt: skip
        outcome = chance.choice((Outcome.TELL, Outcome.SILENT))
        clauses = tuple(
            Clause(name, True, f"the clause {name} was fulfilled") for name in ("sure", "cap", "quiet")
        )
        decision = Decision(visit.id, outcome, ("phone",), "any bird", clauses, "because")
        store.record_visit(visit, chance.choice(pictures), decision, [])
    store.close()


def timed(state: Path, site: Path) -> tuple[Built, float]:
    began = time.process_time()
    done = build(state, site, POLICY, NOW, disk=QuickDisk())
    return done, time.process_time() - began


def say(what: str, done: Built, cpu_s: float) -> None:
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what:44}{len(done.pages):6}{done.pictures:10}{cpu_s:9.2f}{peak_mb:9.0f}")


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    arguments.add_argument("--large", action="store_true", help="pictures of 1640 x 1232 instead")
    size = (1640, 1232) if arguments.parse_args().large else (640, 480)
    print(f"{'':44}{'pages':>6}{'pictures':>10}{'CPU s':>9}{'peak MB':>9}")
    with tempfile.TemporaryDirectory() as scratch:
        day, year = Path(scratch) / "day", Path(scratch) / "year"
        fill(day, 200, 1, size)
        say("a day of 200 visits, with its pictures", *timed(day, Path(scratch) / "day-site"))
        for page in (Path(scratch) / "day-site").rglob("*.html"):
            page.unlink()
        done, pages_s = timed(day, Path(scratch) / "day-site")
        say("the same, pictures made before", done, pages_s)
        fill(day, 1, 1, size, first=200)
        say("one visit more that day", *timed(day, Path(scratch) / "day-site"))
        say("nothing new", *timed(day, Path(scratch) / "day-site"))
        fill(year, 5000, 365, (320, 240))
        say("5,000 visits over a year (320 x 240)", *timed(year, Path(scratch) / "year-site"))
        fill(year, 1, 1, size, first=5000)
        say("one visit more in that year", *timed(year, Path(scratch) / "year-site"))
        say("nothing new in that year", *timed(year, Path(scratch) / "year-site"))
    return 0 if pages_s <= LIMIT_S else 1


if __name__ == "__main__":
    raise SystemExit(main())
