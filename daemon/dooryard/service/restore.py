"""What the last run left in the store, as a new run takes it up."""

from __future__ import annotations

import hashlib
import logging
import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from dooryard import gate
from dooryard.box.camera import ALDER_ROW, FolderTable
from dooryard.box.file import BoxFile
from dooryard.classify.card import ModelCard
from dooryard.core.errors import StoreError
from dooryard.core.log import say
from dooryard.core.records import Moment
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions, State
from dooryard.policy import absence_saved
from dooryard.policy.absence import Absences
from dooryard.policy.seen import Seen
from dooryard.policy.state import PolicyState
from dooryard.service.saving import ABSENCES
from dooryard.site import site_model
from dooryard.site.site_model import SiteModel
from dooryard.tracking.visits import VisitsState

_NUMBER = "number"  # the state that holds the folder's own random number
_FIRST, _LAST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)
_log = logging.getLogger("dooryard")


def recording(box: BoxFile, base: Path) -> str:
    """What names the recording that `box` reads, whatever else its box file says."""
    table = box.camera
    which = base / table.folder if isinstance(table, FolderTable) else getattr(table, "preset", ALDER_ROW)
    # As it was when each table had all keys: states are found by it.
    return f"{table.kind} {which} {getattr(table, 'seed', None)} {getattr(table, 'script', 'f')}"


def state(
    store: Store,
    box: BoxFile,
    card: ModelCard,
    rules: Conditions,
    now: Moment,
    boot: str,
    recording: str | None = None,
) -> State:
    """What the last run left, or a fresh state. What cannot be read is said and begun again.

    `recording` names the recording that is read; None: the camera is live.
    """
    policy = PolicyState()
    saved = store.load_state("policy")
    if saved is not None:
        try:
            policy = PolicyState.from_json(saved.decode("utf-8", "replace"), now, boot)
            policy = policy.outage_counted(now) if rules.clock_set else policy
        except StoreError as error:
            say(_log, logging.ERROR, "cooldowns start over", why=error.what)
    if recording is None and not policy.seen.days:
        policy = replace(policy, seen=_seen_before(store, rules))
    remembered = None
    saved = store.load_state("gate")
    if saved is not None:
        remembered = gate.load(saved, (box.camera.luma_height, box.camera.luma_width), rules.gate)
        if remembered is None:
            say(_log, logging.WARNING, "the gate relearns this place", why="its saved memory does not fit")
    known = known_place(store, card)
    return State(_visits(store, recording), policy, remembered, known, absences=_absences(store))


def _absences(store: Store) -> Absences:
    saved = store.load_state(ABSENCES)
    if saved is not None:
        try:
            return absence_saved.from_json(saved.decode("utf-8", "replace"))
        except StoreError as error:
            say(_log, logging.ERROR, "absences start over", why=error.what)
    return Absences()


def _seen_before(store: Store, rules: Conditions) -> Seen:
    """Who was seen by the visits that are stored: a version that kept no such record may have made them."""
    seen, zone = Seen(), rules.policy.place.zone
    for visit in store.visits_between(_FIRST, _LAST):
        if visit.clock_set:
            seen = seen.seeing(visit.visitor, visit.last_seen.astimezone(zone).date().isoformat())
    return seen


def _visits(store: Store, recording: str | None) -> VisitsState:
    """No visit yet. Of a recording, ids follow from it, its times and this folder's own number.

    So a stretch that is read again after a kill repeats its visits, which the store and the receivers know;
    two boxes on one recording stay two.
    """
    if recording is None:
        return VisitsState(salt=os.urandom(16))
    number = store.load_state(_NUMBER)
    if number is None:
        number = os.urandom(16)
        store.save_state(_NUMBER, number)
    return VisitsState(hashlib.sha256(number + recording.encode()).digest(), repeats=True)


def known_place(store: Store, card: ModelCard) -> SiteModel | None:
    """What the classifier has learned of this place."""
    fresh = site_model.place_for(card.features_key, card.feature_count)
    saved = store.load_state(site_model.PLACE)
    if fresh is None or saved is None:
        return fresh
    known = site_model.restored(fresh, saved, store.load_state(site_model.MARKS))
    if known is None:
        why = "its saved memory is damaged, or an older version of this program or another model made it"
        say(_log, logging.WARNING, "the classifier relearns this place", why=why)
    return known or fresh


def last_frame(store: Store) -> datetime | None:
    """How far the last run had come, so that a recording goes on from there."""
    saved = store.load_state("last_frame")
    return datetime.fromisoformat(saved.decode()) if saved else None


def boot_id() -> str:
    """Names this boot of the machine, in which monotonic seconds go on; "": not known."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
