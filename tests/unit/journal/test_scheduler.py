"""The box builds its journal itself, tells once when it can't, and has it published when it changed."""

from __future__ import annotations

import logging
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import timedelta

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.effects import Update
from dooryard.core.records import Outcome
from dooryard.gate import GateSettings
from dooryard.history.database import AnnotationDatabase
from dooryard.journal.pace import PaceRules
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.pipeline import Conditions
from dooryard.service import journal_scheduler
from dooryard.service.activity_log import ActivityLog
from dooryard.service.journal_process import Ended
from dooryard.service.journal_scheduler import JournalScheduler
from dooryard.service.visit_store import VisitStore
from dooryard.sinks.publish import PublishSink
from dooryard.tracking.visits import VisitSettings
from fakes.rules import visit
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, AlderRow

RULES = Conditions(POLICY, GateSettings(), VisitSettings(), frozenset({"phone"}), clock_set=True)


class FakeBuild:
    """Runs until it is told how it ended."""

    def __init__(self):
        self.began, self.running, self.ends = 0, False, None

    def begin(self):
        self.began += 1
        self.running = True

    def poll(self):
        ended, self.ends = self.ends, None
        self.running = self.running and ended is None
        return ended

    def stop(self):
        self.running = False


class World:
    """A keeper, with time that goes on as told."""

    def __init__(self, stack, folder, publish_to=("web",), when="after visits"):
        self.clock = FakeClock(NOON)
        self.row = AlderRow(folder)
        self.store = stack.enter_context(closing(self.row.store()))
        activity_log = stack.enter_context(closing(ActivityLog(self.row.state)))
        self.visit_store = VisitStore(self.store, activity_log, lambda: None, "b", self.clock.now())
        self.build = FakeBuild()
        self.scheduler = JournalScheduler(
            self.build, PaceRules(when), self.visit_store, self.row.state / "journal", publish_to
        )
        self.told = []

    def after(self, minutes, *, hot=False, watching=True, rules=RULES):
        """Turns by the half minute."""
        for _ in range(round(minutes * 2)):
            self.clock.advance(30)
            self.told += self.scheduler.tick(rules, self.clock.now(), watching=watching, hot=hot)
        return self

    def visit_over(self):
        self.visit_store.update(Update(visit(ended=True), None), RULES, self.clock.now())

    def ends(self, ended, **how):
        self.build.ends = ended
        return self.after(0.5, **how)

    def alerts(self):
        return self.store._engine.select(
            lambda row: (row["kind"], row["title"], row["state"]),
            "SELECT a.kind, a.title, d.state FROM alerts a JOIN deliveries d ON d.alert = a.id"
            " ORDER BY a.seq",
        )


@pytest.fixture
def context(tmp_path):
    with ExitStack() as stack:
        yield lambda **options: World(stack, tmp_path, **options)


def test_after_a_start_after_a_visit_and_at_the_days_end(context):
    here = context().after(1)
    assert here.build.began == 0
    here.after(5)
    assert here.build.began == 1  # a start: who knows what it lacks
    here.ends(Ended()).after(120)
    assert here.build.began == 1  # nothing new
    here.visit_over()
    assert here.after(4).build.began == 1
    assert here.after(2).build.began == 2
    here.ends(Ended()).after(120)
    assert here.after(2, watching=False).build.began == 3  # the watch hours are over
    here.ends(Ended(), watching=False).after(60, watching=False)
    assert here.build.began == 3
    here.after(12 * 60, watching=False)  # midnight passes while it runs or rests
    assert here.build.began == 4


def test_one_at_a_time(context):
    here = context().after(10)
    here.visit_over()
    here.after(200)
    assert here.build.began == 1
    here.ends(Ended()).after(1)
    assert here.build.began == 2


def test_not_while_it_is_hot(context):
    here = context().after(100, hot=True)
    assert here.build.began == 0
    assert here.after(0.5).build.began == 1


def test_without_a_clock_that_is_set_no_day_ends(context):
    here = context().after(10)
    here.ends(Ended())
    here.after(26 * 60, rules=replace(RULES, clock_set=False))
    assert here.build.began == 1


def test_daily(context):
    here = context(when="daily")
    here.visit_over()
    assert here.after(300).build.began == 0
    assert here.after(1, watching=False).build.began == 1


def test_a_failure_is_told_once_and_its_end_too(context):
    here = context().after(10)
    here.ends(Ended("the journal in x cannot be written: no room"))
    assert here.told == ["the journal cannot be built: the journal in x cannot be written: no room"]
    here.after(40)
    assert here.build.began == 2  # again, at its pace
    here.ends(Ended("still no room")).after(40)
    assert len(here.told) == 1
    here.ends(Ended())
    assert here.told[1:] == ["the journal is built again"]
    assert here.alerts() == []


def test_another_builder_is_no_failure_and_it_tries_again(context):
    here = context().after(10)
    here.ends(Ended("another process builds", busy=True)).after(40)
    assert here.told == []
    assert here.build.began == 2


def test_what_changed_is_published_once_and_only_the_newest_counts(context, monkeypatch):
    here = context()
    now = ["one"]
    monkeypatch.setattr(journal_scheduler, "stands", lambda _folder: now[0])
    here.after(10).ends(Ended())
    assert here.alerts() == [("journal", "The journal of Alder Row", "waiting")]
    here.visit_over()
    here.after(40).ends(Ended())  # built, and nothing changed
    assert len(here.alerts()) == 1
    now[0] = "two"
    here.visit_over()
    here.after(40).ends(Ended())
    assert [state for _, _, state in here.alerts()] == ["gathered", "waiting"]


def test_a_sink_that_is_new_gets_it_though_nothing_changed(context, monkeypatch):
    here = context()
    monkeypatch.setattr(journal_scheduler, "stands", lambda _folder: "one")
    now = here.clock.now()
    for sinks in (("web",), ("web",), ("web", "shed"), ()):
        here.visit_store.publish("one", sinks, "Alder Row", now, clock_set=True)
    states = [state for _, _, state in here.alerts()]
    assert states == ["gathered", "waiting", "waiting"]  # the old one; the new one, to both


@pytest.mark.process
def test_the_real_build_ends_in_the_folder_that_the_box_publishes_to(tmp_path):
    """Box file and policy on disk, the program itself as the process, the real outbox and sink."""
    row, clock = AlderRow(tmp_path), FakeClock(NOON + timedelta(hours=8))
    row.add((NOON, FINCH, Outcome.TELL), (NOON, BIRD, Outcome.HOLD))
    (tmp_path / "box.toml").write_text(
        'name = "alder-row"\n[journal]\naddress = "https://alder-row.example/j/"\n'
        '[[sink]]\nkind = "publish"\nname = "web"\nfolder = "shown"\n'
    )
    (tmp_path / "policy.toml").write_text('[place]\nname = "Alder Row"\ntime_zone = "Europe/London"\n')
    from dooryard.box.file import parse_box

    box = parse_box((tmp_path / "box.toml").read_text(), "box.toml").value
    with ExitStack() as stack:
        store = stack.enter_context(closing(row.store()))
        activity_log = stack.enter_context(closing(ActivityLog(row.state)))
        sink = PublishSink("web", row.state / "journal", tmp_path / "shown")
        dispatcher = Dispatcher(store, [sink], clock, logging.getLogger("test"))
        visit_store = VisitStore(store, activity_log, dispatcher.wake, "b", clock.now())
        scheduler = journal_scheduler.scheduler_of(
            box, tmp_path / "box.toml", tmp_path / "policy.toml", clock, visit_store
        )
        stack.callback(scheduler.stop)
        told = []
        while not scheduler.builder.running:
            clock.advance(30)
            told += scheduler.tick(RULES, clock.now(), watching=True, hot=False)
        scheduler.builder._process.wait(120)
        told += scheduler.tick(RULES, clock.now(), watching=True, hot=False)
        assert told == []
        (worker,) = dispatcher._workers
        while worker.tick() == 0.0:
            pass
    day = (tmp_path / "shown/day/2026-06-14.html").read_text()
    assert "12:00" in day
    assert "https://alder-row.example/j/day/2026-06-14.html" in day
    assert (row.state / "journal/index.html").is_file()


def test_temperatures_come_into_the_database_by_the_ten_minutes(tmp_path):
    clock = FakeClock(NOON)
    with closing(ActivityLog(tmp_path)) as activity_log, closing(AnnotationDatabase(tmp_path)) as database:
        for minute in range(31):
            warm = 20.0 + 10 * (minute == 14) - 5 * (minute == 17)
            activity_log.warmth([("enclosure", warm), ("cpu", 50.0)], clock.now())
            clock.advance(60)
        (count,) = database._db.execute("SELECT COUNT(*) FROM readings").fetchone()
        assert count <= 2 * 2 * 4  # both sensors' ends, at most, by the ten minutes
        day = [
            (each.sensor, each.least_c, each.most_c)
            for each in database.warmth(NOON, NOON + timedelta(days=1))
        ]
        assert day == [("cpu", 50.0, 50.0), ("enclosure", 15.0, 30.0)]
        (when,) = database._db.execute("SELECT wall FROM readings WHERE temp_c = 30").fetchone()
        assert when.startswith("2026-06-14T11:14")
