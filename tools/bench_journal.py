"""How long the journal takes: a day of 200 visits, a year of 5,000, and one visit more.

CPU seconds of this process on this machine. The pictures are frames of the simulated garden, scaled as
the box stores them: good ones while the day's share lasts (see `imaging.size_budget`), then small ones;
those of the year are all small. The day is built three times again, and the least of them given: what else
runs on a machine only adds. Prints a table, and exits with 1 when the day takes more than a second.
"""

from __future__ import annotations

import argparse
import random
import resource
import tempfile
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from dooryard.camera.garden.families import alder_row_afternoon
from dooryard.camera.scene import SceneCamera
from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import FakeClock
from dooryard.core.ids import id_for
from dooryard.core.records import Box, Clause, Decision, Moment, Outcome, Picture, Visit, Visitor
from dooryard.imaging.jpeg import fitted
from dooryard.imaging.size_budget import GOOD, SMALL, PictureDay, PictureSize
from dooryard.imaging.xmp import labelled
from dooryard.journal.build import BuildReport, build
from dooryard.journal.phrases import labels
from dooryard.outbox.store import Store
from dooryard.policy.schema import Keeping, Place, Policy
from dooryard.service.picture_making import LABELS_BYTES

LIMIT_S = 1.0
FRAMES, APART = 4, 100  # pictures taken, and frames from one to the next
NOW = datetime(2026, 6, 14, 20, 0, tzinfo=UTC)
POLICY = Policy(place=Place(name="Alder Row", latitude=51.752, longitude=-1.258, time_zone="Europe/London"))
VISITORS = (
    Visitor("bird", 0.97), Visitor("bird", 0.84, "house finch", "Haemorhous mexicanus"),
    Visitor("squirrel", 0.7), Visitor("cat", 0.9), Visitor("rabbit", 0.55),
    Visitor("bird", 0.6, "goldfinch", "Carduelis carduelis"),
)  # fmt: skip


class QuickDisk(FileCalls):
    """A disk that doesn't flush: what is measured is work, not a card's patience."""

    def sync(self, descriptor: int) -> None:
        """Leave it to the system."""

    def sync_folder(self, path: Path) -> None:
        """Leave it to the system."""


def stored_pictures() -> dict[PictureSize, list[bytes]]:
    """A few frames of the simulated garden as the box stores them, of either size."""
    garden = replace(alder_row_afternoon(), width=1640, height=1232)
    camera = SceneCamera(garden, luma_size=(320, 240))
    camera.open()
    pictures: list[Picture] = []
    while len(pictures) < FRAMES:
        frame = camera.read(1.0)
        assert frame is not None  # it never waits
        if frame.number % APART == 0:
            pictures.append(Picture(frame.number, frame.wall, frame.large(), Box(0.3, 0.3, 0.5, 0.6)))
    camera.close()
    return {
        size: [
            fitted(picture, "bird", size._replace(most_bytes=size.most_bytes - LABELS_BYTES))
            for picture in pictures
        ]
        for size in (GOOD, SMALL)
    }


def fill(
    folder: Path,
    count: int,
    days: int,
    jpegs: Mapping[PictureSize, list[bytes]],
    good_bytes: int,
    first: int = 0,
) -> None:
    """Store `count` visits, spread over the last `days` days."""
    chance = random.Random(first)  # noqa: S311  (the same visits each time, nothing secret)
    today = PictureDay()
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
        picture = chance.choice(jpegs[today.size(NOW.date(), good_bytes)])
        picture = labelled(picture, *labels(visit.visitor, POLICY.place.name))
        today = today.with_one(NOW.date(), len(picture))
        store.record_visit(visit, picture, decision, [])
    store.close()


def timed(state: Path, site: Path) -> tuple[BuildReport, float]:
    began = time.process_time()
    done = build(state, site, POLICY, NOW, disk=QuickDisk())
    return done, time.process_time() - began


def say(what: str, done: BuildReport, cpu_s: float) -> None:
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what:44}{len(done.pages):6}{done.pictures:10}{cpu_s:9.2f}{peak_mb:9.0f}")


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    arguments.parse_args()
    share = Keeping().good_megabytes_a_day * 1_000_000
    with ProcessPoolExecutor(1) as painter:  # whose memory does not count
        jpegs = painter.submit(stored_pictures).result()
    print(f"{'':44}{'pages':>6}{'pictures':>10}{'CPU s':>9}{'peak MB':>9}")
    with tempfile.TemporaryDirectory() as scratch:
        day, year = Path(scratch) / "day", Path(scratch) / "year"
        fill(day, 200, 1, jpegs, share)
        done, day_s = min(
            (timed(day, Path(scratch) / site) for site in ("one", "two", "day-site")),
            key=lambda found: found[1],
        )
        say("a day of 200 visits, with its pictures", done, day_s)
        for page in (Path(scratch) / "day-site").rglob("*.html"):
            page.unlink()
        say("the same, pictures made before", *timed(day, Path(scratch) / "day-site"))
        fill(day, 1, 1, jpegs, 0, first=200)
        say("one visit more that day", *timed(day, Path(scratch) / "day-site"))
        say("nothing new", *timed(day, Path(scratch) / "day-site"))
        fill(year, 5000, 365, jpegs, 0)
        say("5,000 visits over a year", *timed(year, Path(scratch) / "year-site"))
        fill(year, 1, 1, jpegs, 0, first=5000)
        say("one visit more in that year", *timed(year, Path(scratch) / "year-site"))
        say("nothing new in that year", *timed(year, Path(scratch) / "year-site"))
    return 0 if day_s <= LIMIT_S else 1


if __name__ == "__main__":
    raise SystemExit(main())
