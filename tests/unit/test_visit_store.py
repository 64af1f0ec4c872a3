from __future__ import annotations

import errno
import logging
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import FakeClock
from dooryard.core.effects import Record, StillHere, Update
from dooryard.core.errors import StoreError
from dooryard.core.records import Visitor
from dooryard.gate import GateSettings
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy.decide import decide
from dooryard.policy.parse import parse_policy
from dooryard.policy.seen import Seen
from dooryard.policy.state import PolicyState
from dooryard.service.activity_log import ActivityLog
from dooryard.service.second_messages import MOST_WAITING
from dooryard.service.visit_store import MOST_UNSTORED, VisitStore
from dooryard.tracking import visits
from dooryard.tracking.visits import VisitSettings, VisitsState
from helpers import moment, sighting

POLICY = """
[place]
name = "Alder Row"
time_zone = "Europe/London"
[summary]
at = "20:00"
[[rule]]
name = "anybody"
visitor = ["anything"]
cooldown_min = 0
"""


VISITOR = Visitor("bird", 0.9)


class FullDisk(FileCalls):
    """Refuses pictures, or everything, while told to."""

    def __init__(self):
        self.full = False
        self.free_mb = 10_000

    def free_bytes(self, folder):
        return self.free_mb * 1_000_000

    def write(self, descriptor, data):
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(descriptor, data)


@pytest.fixture
def disk():
    return FullDisk()


@pytest.fixture
def store(tmp_path, disk):
    opened = Store.open(tmp_path / "state", FakeClock(), disk=disk)
    yield opened
    opened.close()


@pytest.fixture
def activity_log(tmp_path, store):
    opened = ActivityLog(tmp_path / "state")
    yield opened
    opened.close()


def conditions(text=POLICY):
    policy = parse_policy(text, "test.toml").value
    return Conditions(policy, GateSettings(), VisitSettings(), frozenset({"phone"}))


def visit_at(t, salt=b"ledger"):
    state = VisitsState(salt)
    for i in range(4):
        state, changes = visits.advance(state, (sighting(t + i),), moment(t + i), VisitSettings())
    return changes.settled[0]


def record(rules, t=0.0, salt=b"ledger"):
    visit = visit_at(t, salt)
    _, decision = decide(rules.policy, PolicyState(), visit, moment(t), True, sinks=rules.sinks)
    return Record(visit, decision)


def test_a_visit_is_stored_with_its_alert_and_then_told(store, activity_log):
    woken = []
    rules, visit_store = (
        conditions(),
        VisitStore(store, activity_log, lambda: woken.append(1), "boot", moment(0)),
    )
    effect = record(rules)
    visit_store.record(effect, rules, moment(4))
    assert woken == [1]
    assert store.visit(effect.visit.id).picture is not None
    assert store.alert(effect.visit.id).title == "A bird, species not sure, at Alder Row, 14:00"
    assert visit_store.status() == "1 visits, 1 sent, 1 to send"


def test_an_alert_whose_rule_wants_no_picture_has_none(store, activity_log):
    rules = conditions(POLICY + "with_picture = false\n")
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    visit_store.record(effect, rules, moment(4))
    assert store.visit(effect.visit.id).picture is not None
    assert store.alert(effect.visit.id).picture is None


def test_with_no_room_for_the_picture_the_words_are_stored_and_told(store, activity_log, disk, caplog):
    rules, visit_store = conditions(), VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    disk.full = True
    with caplog.at_level(logging.ERROR):
        visit_store.record(effect, rules, moment(4))
    assert store.visit(effect.visit.id).picture is None
    assert "stored without its picture" in caplog.text
    assert "to_do=" in caplog.text


class Refusing:
    """A store that refuses every visit until told otherwise; else the real one."""

    def __init__(self, store):
        self._store, self.refuses = store, True

    def record_visit(self, *args, **kwargs):
        if self.refuses:
            raise StoreError("storing a visit: the disk is full", "make room")
        return self._store.record_visit(*args, **kwargs)

    def update_visit(self, *args, **kwargs):
        if self.refuses:
            raise StoreError("storing a visit: the disk is full", "make room")
        return self._store.update_visit(*args, **kwargs)

    def __getattr__(self, name):
        return getattr(self._store, name)


def test_with_no_room_for_a_picture_the_end_of_a_visit_is_stored_all_the_same(store, activity_log, disk):
    """A stay of 25 s is not told as one of 2 s, because a better picture of it would not fit."""
    rules, visit_store = conditions(), VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    visit_store.record(effect, rules, moment(4))
    disk.full = True
    over = replace(effect.visit, last_seen=moment(25), end=moment(25), best_score=1e6)
    visit_store.update(Update(over, effect.decision), rules, moment(25))
    assert store.visit(effect.visit.id).end == moment(25).wall
    assert visit_store.waiting == 0


def test_an_end_that_the_disk_refuses_waits(store, activity_log):
    refusing = Refusing(store)
    refusing.refuses = False
    rules, visit_store = conditions(), VisitStore(refusing, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    visit_store.record(effect, rules, moment(4))
    refusing.refuses = True
    over = replace(effect.visit, end=moment(25))
    visit_store.update(Update(over, effect.decision), rules, moment(25))
    assert "1 not stored: the disk refuses" in visit_store.status()
    visit_store.retry(rules, moment(60))
    refusing.refuses = False
    visit_store.retry(rules, moment(120))
    assert store.visit(effect.visit.id).end == moment(25).wall
    assert visit_store.waiting == 0


def test_what_the_disk_refuses_until_the_end_is_counted_and_named(store, activity_log, caplog):
    rules, visit_store = (
        conditions(),
        VisitStore(Refusing(store), activity_log, lambda: None, "boot", moment(0)),
    )
    effects = [record(rules, t=i * 100.0, salt=bytes([i])) for i in range(3)]
    for effect in effects:
        visit_store.record(effect, rules, moment(400))
    with caplog.at_level(logging.ERROR):
        visit_store.last_try(rules, moment(500))
    assert visit_store.tally.lost == 3
    assert all(effect.visit.id in caplog.records[-1].getMessage() for effect in effects)


def test_what_the_disk_refuses_waits_and_is_stored_with_its_end_once_there_is_room(
    store, activity_log, caplog
):
    refusing = Refusing(store)
    rules, visit_store = conditions(), VisitStore(refusing, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    with caplog.at_level(logging.ERROR):
        visit_store.record(effect, rules, moment(4))
    assert "1 not stored: the disk refuses" in visit_store.status()
    over = replace(effect.visit, end=effect.visit.last_seen)
    visit_store.update(Update(over, effect.decision), rules, moment(9))
    visit_store.retry(rules, moment(60))
    assert store.visit(effect.visit.id) is None
    refusing.refuses = False
    visit_store.retry(rules, moment(120))
    assert store.visit(effect.visit.id).end is not None
    assert "not stored" not in visit_store.status()


def test_what_waits_is_bounded_and_the_loss_is_counted(store, activity_log):
    refusing = Refusing(store)
    rules, visit_store = conditions(), VisitStore(refusing, activity_log, lambda: None, "boot", moment(0))
    for i in range(MOST_UNSTORED + 3):
        visit_store.record(record(rules, t=i * 100.0, salt=bytes([i])), rules, moment(i * 100.0))
    assert visit_store.tally.lost == 3
    assert f"{MOST_UNSTORED} not stored" in visit_store.status()


def test_the_summary_is_told_once(store, activity_log):
    rules, visit_store = conditions(), VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    visit_store.record(record(rules), rules, moment(4))
    at_eight = 6 * 3600.0 + 60  # 14:00 and six hours
    visit_store.summary(rules, moment(at_eight - 120))
    assert store.alert("summary-2026-06-14") is None
    for _ in range(3):
        visit_store.summary(rules, moment(at_eight))
    alert = store.alert("summary-2026-06-14")
    assert alert.text == "Bird, species not sure: at 14:00 (1 sent)"
    assert store.counts()["phone"]["waiting"] == 2


def test_state_saved_is_state_found(store, activity_log):
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    state = State(VisitsState(b"s"), PolicyState())
    visit_store.save(state, None, moment(50))
    assert PolicyState.from_json(store.load_state("policy").decode(), moment(50), "boot") == state.policy
    assert store.load_state("last_frame").decode() == moment(50).wall.isoformat()


def test_what_no_decision_changed_is_saved_every_five_minutes(store, activity_log):
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    saved = []
    store.save_states = lambda states: saved.append(states.keys())
    state = State(VisitsState(b"s"), PolicyState())
    for minute in range(1, 13):
        visit_store.save(state, None, moment(60 * minute))
    assert len(saved) == 3
    decided = replace(state, policy=replace(state.policy, held=1))
    visit_store.save(decided, None, moment(60 * 13))
    assert len(saved) == 4
    visit_store.save(decided, None, moment(60 * 14), thorough=True)
    assert len(saved) == 5


def test_what_the_disk_refused_is_saved_by_the_next_minute(store, activity_log, monkeypatch):
    monkeypatch.setattr("dooryard.gate.save", lambda _state: b"learned")
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    state, saved, full = State(VisitsState(b"s"), PolicyState(), gate=object()), [], [True]

    def save(states):
        if full[0]:
            raise StoreError("full", "make room")
        saved.append(set(states))

    store.save_states = save
    visit_store.save(state, None, moment(3600))
    full[0] = False
    visit_store.save(state, None, moment(3660))
    visit_store.save(state, None, moment(3720))
    assert saved == [{"policy", "last_frame", "gate"}]


def pictures_of(store):
    return sorted((store.folder / "pictures").rglob("*.jpg"), key=lambda path: (len(path.name), path.name))


def width(path):
    with Image.open(path) as picture:
        return picture.size[0]


@pytest.mark.parametrize(("share", "wide"), [(30, 1024), (0, 640)])
def test_pictures_are_good_while_the_days_share_lasts_and_small_then(store, activity_log, share, wide):
    rules = conditions(POLICY + f"[keeping]\ngood_megabytes_a_day = {share}\n")
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    pixels = np.random.default_rng(5).integers(0, 256, (13, 17, 3), np.uint8).repeat(96, 0).repeat(96, 1)
    best = replace(effect.visit.best, pixels=pixels)
    visit_store.record(replace(effect, visit=replace(effect.visit, best=best)), rules, moment(4))
    [path] = pictures_of(store)
    assert width(path) == wide
    assert path.stat().st_size <= {1024: 120_000, 640: 24_000}[wide]  # with its labels


@pytest.mark.parametrize(("better_by", "files"), [(0.1, 1), (0.5, 2)])
def test_a_picture_is_stored_again_only_where_it_is_clearly_better(store, activity_log, better_by, files):
    rules = conditions()
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    effect = record(rules)
    effect = replace(effect, visit=replace(effect.visit, best_score=1.0))
    visit_store.record(effect, rules, moment(4))
    over = replace(effect.visit, end=effect.visit.last_seen, best_score=1.0 + better_by)
    visit_store.update(Update(over, effect.decision), rules, moment(9))
    assert len(pictures_of(store)) == files


def test_upkeep_lets_old_pictures_go_while_the_card_is_short_of_room(store, activity_log, disk):
    rules = conditions(POLICY + "[keeping]\nmegabytes = 20\n[disk]\ntell_below_mb = 500\n")
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    for number in range(6):
        visit_store.record(record(rules, 100.0 * number, bytes([number])), rules, moment(100.0 * number))
    with store._engine.writing("test") as db:
        db.execute("UPDATE pictures SET bytes = 3000000")

    def left_with(free_mb):
        disk.free_mb = free_mb
        visit_store.upkeep(rules, moment(1000))
        return store._engine.select(lambda row: row[0], "SELECT COUNT(*) FROM pictures")[0]

    assert [left_with(free_mb) for free_mb in (500, 595, 499, 499, 0, 0)] == [6, 6, 1, 1, 1, 1]


LINGERING = POLICY + "still_here_min = 0.5\n"


def lingering(effect, stay_s=40.0, score=2.0):
    last = moment(stay_s)
    return StillHere(replace(effect.visit, last_seen=last, best_score=score), effect.decision)


def test_a_second_message_goes_to_the_same_sinks_with_a_fresh_picture(store, activity_log):
    woken = []
    rules, visit_store = (
        conditions(LINGERING),
        VisitStore(store, activity_log, lambda: woken.append(1), "boot", moment(0)),
    )
    effect = record(rules)
    visit_store.record(replace(effect, visit=replace(effect.visit, best_score=1.0)), rules, moment(4))
    visit_store.still_here(lingering(effect), rules, moment(41))
    first, second = (store.alert(effect.visit.id + ending) for ending in ("", "-still"))
    assert second.title == "The bird is still here after 30 s, Alder Row"
    assert second.text == "The bird is still here after 30 s. It came 14 June at 14:00."
    assert (second.kind, second.sinks, second.visit) == ("visit", first.sinks, effect.visit.id)
    assert second.picture not in (None, first.picture)
    assert store.visit(effect.visit.id).end is None
    assert len(woken) == 2
    visit_store.still_here(lingering(effect), rules, moment(42))  # as a recording that is read again does
    assert len(store.pending("phone")) == 2


def test_a_second_message_without_a_better_picture_has_the_stored_one(store, activity_log):
    rules, visit_store = (
        conditions(LINGERING),
        VisitStore(store, activity_log, lambda: None, "boot", moment(0)),
    )
    effect = record(rules)
    visit_store.record(effect, rules, moment(4))
    visit_store.still_here(lingering(effect, score=effect.visit.best_score), rules, moment(41))
    assert store.alert(f"{effect.visit.id}-still").picture == store.visit(effect.visit.id).picture is not None


def test_a_second_message_whose_rule_wants_no_picture_has_none(store, activity_log):
    rules = conditions(LINGERING + "with_picture = false\n")
    visit_store, effect = VisitStore(store, activity_log, lambda: None, "boot", moment(0)), record(rules)
    visit_store.record(effect, rules, moment(4))
    visit_store.still_here(lingering(effect), rules, moment(41))
    assert store.alert(f"{effect.visit.id}-still").picture is None


def test_a_second_message_waits_for_a_disk_that_refuses_and_tells_once(store, activity_log, caplog):
    refusing = Refusing(store)
    rules, visit_store = (
        conditions(LINGERING),
        VisitStore(refusing, activity_log, lambda: None, "boot", moment(0)),
    )
    effect = record(rules)
    with caplog.at_level(logging.ERROR):
        visit_store.record(effect, rules, moment(4))
        visit_store.still_here(lingering(effect), rules, moment(41))
        visit_store.retry(rules, moment(50))
    assert "message not stored with its picture" in caplog.text
    over = replace(effect.visit, end=moment(55), last_seen=moment(55))
    visit_store.update(Update(over, effect.decision), rules, moment(60))
    refusing.refuses = False
    visit_store.retry(rules, moment(70))
    visit_store.retry(rules, moment(80))
    assert [each.alert for each in store.pending("phone")] == [f"{effect.visit.id}-still", effect.visit.id]
    assert store.visit(effect.visit.id).end is not None


def test_more_second_messages_than_can_wait_are_named(store, activity_log, caplog):
    refusing = Refusing(store)
    rules, visit_store = (
        conditions(LINGERING),
        VisitStore(refusing, activity_log, lambda: None, "boot", moment(0)),
    )
    for number in range(MOST_WAITING + 1):
        visit_store.still_here(lingering(record(rules, salt=b"%d" % number)), rules, moment(41))
    assert caplog.text.count("lost: the disk refused for too long") == 1


def test_visits_that_are_over_are_saved_with_the_rest_and_who_was_seen_at_once(store, activity_log):
    visit_store = VisitStore(store, activity_log, lambda: None, "boot", moment(0))
    saved = []
    store.save_states = lambda states: saved.append(states["policy"])
    state = State(VisitsState(b"s"), PolicyState())
    visit_store.save(state, None, moment(0))
    over = replace(state, policy=replace(state.policy, seen=Seen().ending([visit_at(0)], moment(5).mono_s)))
    visit_store.save(over, None, moment(60))
    assert len(saved) == 1
    seen = replace(over, policy=replace(over.policy, seen=over.policy.seen.seeing(VISITOR, "2026-06-14")))
    visit_store.save(seen, None, moment(120))
    assert len(saved) == 2
    assert len(PolicyState.from_json(saved[-1].decode(), moment(120), "boot").seen.over) == 1
