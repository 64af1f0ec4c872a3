"""Three days of a box in 72 simulated hours: what it decides and tells is as written in three_days.txt.

The loop, the care of the box, the gate, visits, policy, store, outbox workers and the halt are the real
ones. The clock, the camera, the classifier's opinion, the sensor, the receivers, the button and the
power-off are stand-ins. While nothing happens a frame comes every 25 s, around visits 5 a second.

`DOORYARD_WRITE_LOG=1 pytest tests/replay/test_three_days.py` writes the file anew; read what changed.
"""

from __future__ import annotations

import gc
import logging
import os
import re
import threading
from contextlib import ExitStack, closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import psutil
import pytest

from dooryard import run
from dooryard.button.press import Press
from dooryard.camera.keeper import CameraKeeper, Patience
from dooryard.care import Care
from dooryard.classify.fake import FakeClassifier
from dooryard.daybook import Daybook
from dooryard.gate import GateSettings
from dooryard.ledger import Ledger
from dooryard.loop import Loop, Parts
from dooryard.notify import Notifier
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from dooryard.sensors.registry import Machine, build_one
from dooryard.sensors.spec import SensorSpec
from dooryard.timed import RecordedTimed
from dooryard.visits import VisitSettings, VisitsState
from fakes.garden_days import Comes, DayCamera, DayClock, DayDelivery, DayDesk, DaySink, Span

GOLDEN = Path(__file__).parent / "three_days.txt"
MIDNIGHT = datetime(2026, 6, 23, 23, 0, tzinfo=UTC)  # in London, where it is summer time
ZONE_H = 1
FIRST_DAY = date(2026, 6, 24)
RSS_TOLERANCE = 6_000_000  # bytes from the first evening to the last; pages of the allocator come and go
OBJECTS_TOLERANCE = 3_000  # living objects, the same; the log of the test itself is some hundred

POLICY = """
[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"

[hours]
watch = { from = "sunrise-30min", to = "sunset+20min" }
quiet = [{ from = "21:30", to = "07:00" }]

[[rule]]
name = "squirrel on the seed"
visitor = ["squirrel"]
cooldown_min = 10
send_to = ["phone"]

[[rule]]
name = "any bird"
visitor = ["bird"]
cooldown_min = 5
send_to = ["phone", "post"]

[[heat]]
sensor = "enclosure"
above_c = 54
until_below_c = 48
frames_per_s = 2

[[heat]]
sensor = "enclosure"
above_c = 62
until_below_c = 52
camera = "off"

[summary]
at = "sunset+1h"
send_to = ["post"]

[messages]
heat = ["phone"]
sensor = ["phone"]
camera = ["phone"]
status = ["phone"]
halt = ["phone"]
"""


def at(day: int, time: str) -> int:
    """Seconds since the first midnight of a local time on day 1, 2 or 3."""
    hours, minutes = time.split(":")
    return (day - 1) * 86_400 + int(hours) * 3600 + int(minutes) * 60


COMES = (
    Comes(at(1, "06:10"), "bird"), Comes(at(1, "08:00"), "bird"), Comes(at(1, "08:02"), "bird"),
    Comes(at(1, "09:30"), "squirrel", 25), Comes(at(1, "13:00"), "bird"), Comes(at(1, "17:30"), "bird"),
    Comes(at(2, "07:30"), "bird"), Comes(at(2, "08:15"), "squirrel"), Comes(at(2, "08:40"), "bird"),
    Comes(at(2, "09:20"), "bird"), Comes(at(2, "10:45"), "squirrel"), Comes(at(2, "19:00"), "bird"),
    Comes(at(3, "05:30"), "squirrel"), Comes(at(3, "07:20"), "bird"), Comes(at(3, "14:00"), "bird"),
    Comes(at(3, "16:00"), "cat", 30), Comes(at(3, "20:50"), "bird"),
)  # fmt: skip
STALLS = (Span(at(1, "16:30"), at(1, "16:31")), Span(at(3, "10:00"), at(3, "10:02")))
GONE = (Span(at(2, "16:00"), at(2, "16:03")),)
OFFLINE = (Span(at(2, "07:00"), at(2, "11:00")),)
PRESSES = {at(2, "18:00"): Press.SHORT, at(3, "23:50"): Press.HELD}
ENCLOSURE = (
    (1, "00:00", 14), (1, "06:00", 15), (1, "11:00", 45), (1, "12:30", 66), (1, "14:00", 66),
    (1, "16:00", 45), (1, "22:00", 18),
    (2, "06:00", 16), (2, "11:00", 46), (2, "12:30", 65), (2, "13:00", "gone"), (2, "15:30", 47),
    (2, "22:00", 18),
    (3, "06:00", 17), (3, "11:00", 43), (3, "13:00", 57), (3, "15:00", 57), (3, "17:00", 40),
    (3, "22:00", 18),
)  # fmt: skip
WORLD = sorted(
    [
        *((one.at_s, f"a {one.who} comes for {one.stays_s:g} s") for one in COMES),
        *((span.from_s, "the camera stalls") for span in STALLS),
        *((span.from_s, "the camera's plug comes loose") for span in GONE),
        *((span.to_s, "the camera's plug is in again") for span in GONE),
        *((span.from_s, "the network goes") for span in OFFLINE),
        *((span.to_s, "the network is back") for span in OFFLINE),
        *((at(d, t), "the sensor's wire breaks") for d, t, value in ENCLOSURE if value == "gone"),
        (at(2, "15:30"), "the sensor's wire is mended"),
        *((at_s, f"the button: {press.value}") for at_s, press in PRESSES.items()),
    ]
)


class Log(logging.Handler):
    """What happens in the world, and what the box says and tells, by simulated local time."""

    def __init__(self, clock: DayClock) -> None:
        super().__init__()
        self._clock, self._world = clock, list(WORLD)
        self.lines: list[str] = []
        self._day = ""

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if "again in" in text or ": alert " in text:  # each attempt; the receivers say what arrived
            return
        self.add(re.sub(r"\b(id|at|visit)=\S+ ?|, [0-9a-f-]{36}", "", text))

    def add(self, text: str) -> None:
        """Write a line, after what has happened in the world until now."""
        self.go_on()
        self._write(text)

    def go_on(self) -> None:
        """Write what has happened in the world since."""
        while self._world and self._world[0][0] <= self._clock.t_s:
            self._write(f"  * {self._world.pop(0)[1]}")

    def _write(self, text: str) -> None:
        local = self._clock.now().wall + timedelta(hours=ZONE_H)
        day = f"{local:%A}, day {1 + (local.date() - FIRST_DAY).days}"
        if day != self._day:
            self._day = day
            self.lines.append(f"== {day} ==")
        self.lines.append(f"{local:%H:%M} {text}")


class Button:
    """Pressed when the script says so."""

    def __init__(self, clock: DayClock) -> None:
        self._clock, self._left = clock, dict(PRESSES)

    def presses(self) -> list[Press]:
        due = [at_s for at_s in self._left if at_s <= self._clock.t_s]
        return [self._left.pop(at_s) for at_s in due]


class Days:
    """The box, and the world around it."""

    def __init__(self, stack: ExitStack, folder: Path, log: Log, clock: DayClock) -> None:
        self.log, self.clock = log, clock
        policy = parse_policy(
            POLICY, "garden.toml", sinks=frozenset({"phone", "post"}), sensors=frozenset({"enclosure"})
        ).value
        self.store = stack.enter_context(closing(Store.open(folder, clock)))
        daybook = stack.enter_context(closing(Daybook(folder)))
        camera = DayCamera(clock, COMES, STALLS, GONE)
        keeper = CameraKeeper(camera, Patience(stall_after_s=10.0))
        keeper.open()
        self.sinks = [DaySink(name, clock, OFFLINE, log.add) for name in ("phone", "post")]
        self.delivery = DayDelivery(self.store, self.sinks, clock, logging.getLogger("dooryard.outbox"))
        script = " ".join(f"{at(day, time)}:{value}" for day, time, value in ENCLOSURE)
        spec = SensorSpec("enclosure", "fake", script=script, every_s=30)
        self.desk = DayDesk([build_one(spec, Machine(state_folder=folder))], clock)
        care = Care(self.desk, button=Button(clock))
        now = clock.now()
        classifier = FakeClassifier(lambda _n, _b: {camera.there: 0.95} if camera.there else {})
        self.parts = Parts(
            keeper, classifier, Ledger(self.store, daybook, self.delivery.wake, "b", now), self.delivery,
            clock, RecordedTimed(now), Notifier({}), clock, care,
        )  # fmt: skip
        rules = Conditions(policy, GateSettings(), VisitSettings(), frozenset({"phone", "post"}))
        state = State(VisitsState(b"s"), PolicyState())
        self.loop = Loop(self.parts, state, rules, threading.Event(), threading.Event())

    def play(self, until_s: float) -> None:
        """Turn until a simulated time, or until it is to halt."""
        while self.clock.t_s < until_s and not self.loop.halting:
            self.log.go_on()
            self.desk.turn()
            self.loop.turn()
            self.delivery.turn()

    def halt(self) -> None:
        run._halt(self.loop, self.parts, self.store, self.clock)


def size() -> dict[str, int]:
    """What may not grow."""
    gc.collect()
    process = psutil.Process()
    return {
        "threads": threading.active_count(),
        "files": process.num_fds(),
        "objects": len(gc.get_objects()),
        "bytes": process.memory_info().rss,
    }


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """The three days, played once: the log's lines, the last attempts, and the size on each evening."""
    clock = DayClock(MIDNIGHT)
    log = Log(clock)
    logger = logging.getLogger("dooryard")
    level, propagates = logger.level, logger.propagate
    with pytest.MonkeyPatch.context() as patch, ExitStack() as stack:
        patch.setattr("dooryard.loop._READ_S", 10.0)  # a step of simulated time while no frame comes
        patch.setattr("dooryard.halt.power_off", lambda _within_s: log.add("the board goes off"))
        patch.setattr("os.sync", lambda: None)
        logger.addHandler(log)
        stack.callback(logger.removeHandler, log)
        stack.callback(logger.setLevel, level)
        stack.callback(setattr, logger, "propagate", propagates)
        logger.setLevel(logging.INFO)
        logger.propagate = False
        days = Days(stack, tmp_path_factory.mktemp("days") / "state", log, clock)
        sizes = []
        for day in (1, 2, 3):
            days.play(at(day, "23:45"))
            sizes.append(size())
        days.play(at(4, "00:00"))
        assert days.loop.halting
        days.halt()
        yield log.lines, days, sizes


def test_what_it_decides_and_tells_is_as_written(played):
    lines, _days, _sizes = played
    text = "\n".join(lines) + "\n"
    if os.environ.get("DOORYARD_WRITE_LOG") == "1":
        GOLDEN.write_text(text, encoding="utf-8")
    assert text.splitlines() == GOLDEN.read_text(encoding="utf-8").splitlines()


def test_it_played_the_three_days(played):
    _lines, days, _sizes = played
    assert at(3, "23:50") <= days.clock.t_s < at(4, "00:00")
    assert days.loop.frames > 8_000


def test_nothing_grows_from_the_first_evening_to_the_last(played):
    _lines, _days, (first, _second, last) = played
    assert last["threads"] == first["threads"]
    assert last["files"] == first["files"]
    assert last["objects"] - first["objects"] < OBJECTS_TOLERANCE
    assert last["bytes"] - first["bytes"] < RSS_TOLERANCE
