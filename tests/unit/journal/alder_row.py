"""State folders at Alder Row with visits in them, for the journal's tests."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

from PIL import Image, ImageDraw

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import FakeClock
from dooryard.core.ids import id_for
from dooryard.core.records import Alert, Box, Clause, Decision, Moment, Outcome, Visit, Visitor
from dooryard.history.entries import NOTHING_SAID, Entry, Said
from dooryard.outbox.store import Store
from dooryard.policy.parse import parse_policy

POLICY = parse_policy(
    """
[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"

[hours]
watch = { from = "06:00", to = "20:00" }

[[rule]]
name = "anybody"
visitor = ["anything"]
""",
    "policy.toml",
).value
ZONE = POLICY.place.zone
NOON = datetime(2026, 6, 14, 11, 0, tzinfo=UTC)  # 12:00 at Alder Row
FINCH = Visitor("bird", 0.84, "house finch", "Haemorhous mexicanus")
BIRD = Visitor("bird", 0.97)
SQUIRREL = Visitor("squirrel", 0.62)
WICKED = Visitor("bird", 0.8, '<script>alert("x")</script>')
TOLD_BY = (Clause("visitor", True, "rule is for anything"), Clause("sure", True, "84 % sure"))
COOLING = (*TOLD_BY, Clause("cooldown", False, "cooldown of 4 min has 1 min 39 s left"))


def jpeg(number: int = 0, size: tuple[int, int] = (640, 480)) -> bytes:
    picture = Image.new("RGB", size, (120, 150, 90))
    x = 40 + number * 37 % (size[0] - 120)
    ImageDraw.Draw(picture).ellipse((x, 200, x + 80, 260), fill=(90, 60, 40))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85)
    return out.getvalue()


def entry(number: int = 1, *, at: datetime = NOON, told: Visitor = FINCH, stay_s: float = 20.0,
          outcome: Outcome = Outcome.TELL, said: Said = NOTHING_SAID, picture: str | None = None,
          clock_set: bool = True) -> Entry:  # fmt: skip
    return Entry(
        id=id_for(b"journal tests", number, at),
        start=at,
        last_seen=at + timedelta(seconds=stay_s),
        ended=True,
        stay_s=stay_s,
        clock_set=clock_set,
        told=told,
        sightings=7,
        box=Box(0.25, 0.5, 0.5, 0.75),
        picture=picture,
        outcome=outcome,
        said=said,
        sinks=("phone",) if outcome is Outcome.TELL else (),
        rule="anybody",
        clauses=TOLD_BY if outcome is Outcome.TELL else COOLING,
    )


class QuickDisk(FileCalls):
    """Doesn't flush, for speed where power cuts are not the question."""

    def sync(self, descriptor: int) -> None:
        pass

    def sync_folder(self, path: Path) -> None:
        pass


class AlderRow:
    """A state folder that visits can be put into. The store is open only while something is written."""

    def __init__(self, folder: Path, disk: FileCalls | None = None) -> None:
        self.state = folder / "state"
        self.site = folder / "site"
        self._number = 0
        self._disk = disk or QuickDisk()

    def store(self) -> Store:
        return Store.open(self.state, FakeClock(), disk=self._disk)

    def add(self, *visits: tuple[datetime, Visitor, Outcome], picture: bool = True,
            clock_set: bool = True) -> list[str]:  # fmt: skip
        """Store visits; each is (arrival, visitor, outcome). Returns their ids."""
        store, ids = self.store(), []
        try:
            for at, visitor, outcome in visits:
                self._number += 1
                ids.append(self._put(store, at, visitor, outcome, picture, clock_set))
        finally:
            store.close()
        return ids

    def _put(self, store, at, visitor, outcome, picture, clock_set) -> str:
        number = self._number
        start = Moment(at, 7e6 + number)
        end = Moment(at + timedelta(seconds=20), 7e6 + number + 20)
        visit = Visit(id_for(b"alder row", number, at), start, end, visitor, 7,
                      Box(0.25, 0.5, 0.5, 0.75), None, 1.0, end)  # fmt: skip
        told = outcome is Outcome.TELL
        clauses = TOLD_BY if told else COOLING
        sinks = ("phone",) if told else ()
        decision = Decision(visit.id, outcome, sinks, "anybody", clauses, "because")
        alert = Alert(visit.id, "visit", at, clock_set, "t", "t", sinks, visit.id, visitor)
        store.record_visit(
            visit, jpeg(number) if picture else None, decision, [alert] if told else [], clock_set=clock_set
        )
        return visit.id
