"""What a box has saved, damaged in one place: the next start takes it up or begins it again."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from attacks.outcome import Outcome, damaged, dice
from dooryard import gate
from dooryard.box.file import BoxFile, parse_box
from dooryard.classify import taught
from dooryard.classify.card import ModelCard
from dooryard.classify.card import parse as parse_card
from dooryard.classify.onnx import BUILT_IN
from dooryard.core.clock import FakeClock
from dooryard.core.records import Box, Features, Luma, Moment, NegativeSample, Visitor
from dooryard.gate import GateSettings
from dooryard.health.state import HealthState
from dooryard.history.database import FILE, AnnotationDatabase
from dooryard.history.entries import Kind
from dooryard.outbox.own import DATABASE
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy import absence, absence_saved
from dooryard.policy.absence import Absences
from dooryard.policy.schema import Absence, Place, Policy
from dooryard.policy.state import PolicyState
from dooryard.service import restore
from dooryard.service.activity_log import ActivityLog
from dooryard.service.visit_store import VisitStore
from dooryard.site import site_model
from dooryard.tracking.visits import VisitSettings

NOON = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
BOX: BoxFile = parse_box('name = "Alder Row box"\n[camera]\nkind = "fake"\n', "box.toml").value
RULES = Conditions(Policy(), GateSettings(), VisitSettings(), frozenset({"phone"}))
BOOT = "a boot"
FEATURES = 16


def states(folder: Path, count: int, seed: int = 1) -> list[Outcome]:
    """`count` accidents to each saved state, each followed by all that a start and a minute do with them."""
    card = replace(parse_card(BUILT_IN.read_text(encoding="utf-8"), "card"), feature_count=FEATURES)
    clock = FakeClock(NOON)
    whole = _whole(card)
    with closing(Store.open(folder, clock, boot=BOOT)) as store:
        store.save_states(whole)
    fresh = (folder / DATABASE).read_bytes()
    chance, outcomes = dice(seed), []
    for name, data in whole.items():
        outcome = Outcome(
            f"saved {name}", "the start goes on; damage is told once, and nothing damaged is used"
        )
        for number in range(count):
            bad = damaged(data, chance)
            if number % 100 == 0:  # what is set aside would pile up, and each start reads it through
                for file in folder.glob(f"{DATABASE}*"):
                    file.unlink()
                (folder / DATABASE).write_bytes(fresh)
            with closing(sqlite3.connect(folder / DATABASE)) as db, db:
                db.execute("UPDATE states SET data = ? WHERE name = ?", (bad, name))
            problem = _start(folder, card, name, bad == data, whole)
            outcome.note(f"number {number} of seed {seed}", problem)
        outcomes.append(outcome)
    return outcomes


def taught_birds(count: int, seed: int = 1) -> Outcome:
    """Accidents to the file of the owner's taught birds."""
    outcome = Outcome("taught birds", "nothing damaged is used, and nothing raised")
    chance = dice(seed)
    features: Features = np.random.default_rng(1).random((3, FEATURES)).astype(np.float32)
    data = taught.save(tuple(taught.NamedPicture("a.png", "robin", "bird", row) for row in features), "model")
    for number in range(count):
        bad = damaged(data, chance)
        try:
            found = taught.load(bad, "model", FEATURES)
            problem = None if found is None or bad == data else "damaged features were used"
        except Exception as error:  # noqa: BLE001  (whatever it is, it is the finding)
            problem = f"raised {error!r}"[:200]
        outcome.note(f"number {number} of seed {seed}", problem)
    return outcome


def databases(folder: Path, count: int, seed: int = 1) -> Outcome:
    """Accidents to the journal's notes: they open, and marks that can still be read are there."""
    outcome = Outcome("the journal's notes", "the service opens them, and the marks can be read")
    chance = dice(seed)
    with closing(AnnotationDatabase(folder)) as database:
        for number in range(60):
            database.mark(f"visit {number}", Kind.NAME, NOON, Visitor("bird", 1.0, "robin"))
            database.reading(NOON, f"sensor {number}", 20.0)
    data = (folder / FILE).read_bytes()
    for number in range(count):
        for path in folder.glob("journal*"):
            path.unlink()
        (folder / FILE).write_bytes(damaged(data, chance))
        outcome.note(f"number {number} of seed {seed}", _database(folder))
    return outcome


def _whole(card: ModelCard) -> dict[str, bytes]:
    """One of each state, with something in it."""
    rng = np.random.default_rng(1)
    view = None
    for number in range(30):
        luma: Luma = rng.integers(0, 255, (BOX.camera.luma_height, BOX.camera.luma_width), np.uint8)
        view, _ = gate.watch(view, luma, number / 5, GateSettings())
    fresh = site_model.place_for(card.features_key, FEATURES)
    assert view is not None
    assert fresh is not None
    looks = rng.random((5, FEATURES)).astype(np.float32)
    learned = site_model.learned(fresh, [NegativeSample(Box(0.1, 0.1, 0.3, 0.3), look) for look in looks])
    moment = FakeClock(NOON).now()
    return {
        "gate": gate.save(view),
        **site_model.saved(learned),
        "policy": PolicyState().to_json(moment, BOOT).encode(),
        "absences": absence_saved.to_json(_absences(moment)).encode(),
        "welfare": HealthState().to_json(moment).encode(),
        "last_frame": NOON.isoformat().encode(),
        "last_summary": NOON.isoformat().encode(),
        "published": b"0123456789abcdef page",
        "boot": f"{BOOT} 1".encode(),
    }


def _absences(now: Moment) -> Absences:
    wanted = (Absence.model_validate({"name": "nobody", "by": "10:00"}),)
    seen, _ = absence.advance(
        wanted, Absences(), now, place=Place(name="Alder Row"), clock_set=True, salt=b"salt"
    )
    return seen


def _start(folder: Path, card: ModelCard, name: str, unchanged: bool, whole: dict[str, bytes]) -> str | None:
    """What was wrong with a start after the accident; at its end all is saved whole again."""
    clock = FakeClock(NOON)
    try:
        with (
            closing(Store.open(folder, clock, boot=BOOT)) as store,
            closing(ActivityLog(folder)) as activity_log,
        ):
            now = clock.now()
            told = store.news()
            restore.last_frame(store)
            found = restore.state(store, BOX, card, RULES, now, BOOT)
            health = store.load_state("welfare")
            if health is not None:
                HealthState.from_json(health.decode(), now)
            visit_store = VisitStore(store, activity_log, lambda: None, BOOT, now)
            visit_store.summary(RULES, now)
            visit_store.publish("0123", ["page"], "Alder Row", now, clock_set=True)
            visit_store.save(found, None, now, thorough=True)
            store.save_states(whole)
    except Exception as error:  # noqa: BLE001  (whatever it is, it is the finding)
        return f"raised {error!r}"[:200]
    if len(told) != (0 if unchanged else 1) or (told and name not in told[0]):
        return f"told {told}"
    return None


def _database(folder: Path) -> str | None:
    try:
        with closing(AnnotationDatabase(folder, mend=True)) as database:
            marks = database.marks()
            database.mark("visit 1", Kind.HIDE, NOON)
    except Exception as error:  # noqa: BLE001  (whatever it is, it is the finding)
        return f"raised {error!r}"[:200]
    return None if len(marks) <= 60 else f"{len(marks)} marks of 60"
