"""Three days of a box in 72 simulated hours: what it decides and tells is as written in three_days.txt.

The loop, the care of the box, the gate, visits, policy, store, outbox workers and the halt are the real
ones. The clock, the camera, the classifier's opinion, the sensor, the receivers, the button and the
power-off are stand-ins. While nothing happens a frame comes every 25 s, around visits 5 a second.

`DOORYARD_WRITE_LOG=1 pytest tests/replay/test_three_days.py` writes the file again; read what changed.
"""

from __future__ import annotations

import gc
import logging
import os
import threading
from collections.abc import Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from tempfile import TemporaryDirectory

import psutil
import pytest

from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.classify.fake import FakeClassifier, Script
from dooryard.core.atomic_files import FileCalls
from dooryard.core.errors import ModelError
from dooryard.core.records import Box, Frame, Sighting
from dooryard.gate import GateSettings
from dooryard.health.monitor import Monitor
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from dooryard.sensors.base import Unit
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.kinds import Machine
from dooryard.service import run
from dooryard.service.activity_log import ActivityLog
from dooryard.service.loop import Loop
from dooryard.service.parts import Parts
from dooryard.service.scheduler import RecordedScheduler
from dooryard.service.systemd import Notifier
from dooryard.service.visit_store import VisitStore
from dooryard.tracking.visits import VisitSettings, VisitsState
from fakes.garden_days import DayCamera, DayClock, DayDispatcher, DayPoller, DaySink
from fakes.sensors import asked
from fakes.three_days import (
    COMES,
    DISK,
    ENCLOSURE,
    GONE,
    HEADER,
    MIDNIGHT,
    NO_CLASSIFIER,
    OFFLINE,
    POLICY,
    STALLS,
    Button,
    Log,
    at,
)

GOLDEN = Path(__file__).parent / "three_days.txt"
RSS_TOLERANCE = 6_000_000  # bytes from the first evening to the last; pages of the allocator come and go
OBJECTS_TOLERANCE = (
    3_000  # living objects, the same; the test's own log and the visits' ledger are some hundred
)


def script_of(entries: Sequence[tuple[int, str, object]]) -> str:
    return " ".join(f"{at(day, time)}:{value}" for day, time, value in entries)


class DayClassifier(FakeClassifier):
    """Fails for a while, as a network does for which memory is short."""

    def __init__(self, script: Script, clock: DayClock) -> None:
        super().__init__(script)
        self._clock = clock

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        if NO_CLASSIFIER.holds(self._clock.t_s):
            raise ModelError("the network does not run", "free some memory")
        return super().look(frame, boxes)


class Room(FileCalls):
    """The disk of whoever runs this, with as much room on every one."""

    def free_bytes(self, folder: Path) -> int:
        del folder
        return 20_000_000_000


class Days:
    """The box, and the world around it."""

    def __init__(self, stack: ExitStack, folder: Path, log: Log, clock: DayClock) -> None:
        self.log, self.clock = log, clock
        policy = parse_policy(
            POLICY, "garden.toml", sinks=frozenset({"phone", "post"}), sensors=frozenset({"enclosure"})
        ).value
        self.store = stack.enter_context(closing(Store.open(folder, clock, disk=Room())))
        activity_log = stack.enter_context(closing(ActivityLog(folder)))
        camera = DayCamera(clock, COMES, STALLS, GONE)
        supervisor = CameraSupervisor(camera, Patience(stall_after_s=10.0))
        supervisor.open()
        self.sinks = [DaySink(name, clock, OFFLINE, log.add) for name in ("phone", "post")]
        self.dispatcher = DayDispatcher(self.store, self.sinks, clock, logging.getLogger("dooryard.outbox"))
        spec = asked("enclosure", "fake", script=script_of(ENCLOSURE), every_s=30)
        room = FakeSensor("disk", Unit.MEGABYTES, script_of(DISK), every_s=60)
        self.poller = DayPoller([spec.built(Machine(state_folder=folder)), room], clock)
        monitor = Monitor(self.poller, button=Button(clock))  # type: ignore[arg-type]  # stands in
        now = clock.now()
        classifier = DayClassifier(lambda _n, _b: {camera.there: 0.95} if camera.there else {}, clock)
        self.parts = Parts(
            supervisor, classifier, VisitStore(self.store, activity_log, self.dispatcher.wake, "b", now),
            self.dispatcher,  # type: ignore[arg-type]  # stands in
            clock, RecordedScheduler(now), Notifier({}), clock, monitor,
        )  # fmt: skip
        rules = Conditions(policy, GateSettings(), VisitSettings(), frozenset({"phone", "post"}))
        state = State(VisitsState(b"s"), PolicyState())
        self.loop = Loop(self.parts, state, rules, threading.Event(), threading.Event())
        self.dispatcher.hold_by(self.loop.holds)
        self.dispatcher.pass_on_by(self.loop.instead)

    def play(self, until_s: float) -> None:
        """Turn until a simulated time, or until it is to halt."""
        while self.clock.t_s < until_s and not self.loop.halting:
            self.log.go_on()
            self.poller.tick()
            self.loop.tick()
            self.dispatcher.tick()

    def halt(self) -> None:
        run._halt(self.loop, self.parts, self.store, self.clock)  # type: ignore[arg-type]  # stands in


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


def _fast_folder(stack: ExitStack) -> Path:
    """Outside the tests' own folders, so that it is gone with them; a box takes no folder within /dev."""
    return Path(stack.enter_context(TemporaryDirectory()))


@pytest.fixture(scope="module")
def played():
    """The three days, played once: the log's lines, the box at the end, and the size on each evening."""
    clock = DayClock(MIDNIGHT)
    log = Log(clock)
    logger = logging.getLogger("dooryard")
    level, propagates = logger.level, logger.propagate
    with pytest.MonkeyPatch.context() as patch, ExitStack() as stack:
        patch.setattr("dooryard.service.loop._READ_S", 10.0)  # a step of simulated time while no frame comes
        patch.setattr("dooryard.service.shutdown.power_off", lambda _within_s: log.add("the board goes off"))
        patch.setattr("os.sync", lambda: None)
        logger.addHandler(log)
        stack.callback(logger.removeHandler, log)
        stack.callback(logger.setLevel, level)
        stack.callback(setattr, logger, "propagate", propagates)
        logger.setLevel(logging.INFO)
        logger.propagate = False
        days = Days(stack, _fast_folder(stack) / "state", log, clock)
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
    text = HEADER + "\n".join(lines) + "\n"
    if os.environ.get("DOORYARD_WRITE_LOG") == "1":
        GOLDEN.write_text(text, encoding="utf-8")
    assert text.splitlines() == GOLDEN.read_text(encoding="utf-8").splitlines()


def test_it_played_the_three_days(played):
    _lines, days, _sizes = played
    assert at(3, "23:50") <= days.clock.t_s < at(4, "00:00")
    assert days.loop.frames > 8_000


def test_everybody_is_seen_who_comes_while_it_watches(played):
    lines, _days, _sizes = played
    visits = [line[:5] for line in lines if line[6:].startswith("visit ")]
    too_hot = at(1, "13:00")
    assert visits == [
        f"{one.at_s // 3600 % 24:02d}:{one.at_s // 60 % 60:02d}" for one in COMES if one.at_s != too_hot
    ]


def test_what_could_not_be_told_is_told_when_the_network_is_back(played):
    lines, _days, _sizes = played
    gone, back = (
        next(n for n, line in enumerate(lines) if f"the network {how}" in line) for how in ("goes", "is back")
    )
    assert not any(" hears" in line for line in lines[gone:back])
    heard = "\n".join(line for line in lines[back : back + 12] if "hears" in line and "11:0" in line)
    for time in ("07:30", "08:15", "08:40", "09:20", "10:45"):
        assert f"at Alder Row, {time}" in heard


def test_the_halt_comes_last_and_is_told(played):
    lines, _days, _sizes = played
    assert "the board goes off" in lines[-2]
    assert any("phone hears: The box at Alder Row: halt" in line for line in lines[-8:])


def test_nothing_grows_from_the_first_evening_to_the_last(played):
    _lines, _days, (first, _second, last) = played
    assert last["threads"] == first["threads"]
    assert last["files"] == first["files"]
    assert last["objects"] - first["objects"] < OBJECTS_TOLERANCE
    assert last["bytes"] - first["bytes"] < RSS_TOLERANCE
