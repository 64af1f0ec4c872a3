"""How the box stands, gathered from its parts for the health message. Edge: asks store and sensors."""

from __future__ import annotations

from dooryard.core.errors import StoreError
from dooryard.core.records import Moment
from dooryard.health.report import Health, health_text
from dooryard.sensors.base import Reading, Unit
from dooryard.service.parts import Parts

_OWN_LINES = frozenset({Unit.DBM, Unit.MEGABYTES, Unit.YES_NO})  # said in lines of their own, or not at all


def standing_text(parts: Parts, doing: str, now: Moment, *, clock_set: bool, hush: str = "") -> str:
    """The health message; `hush` is the pause or the mute that holds."""
    return health_text(standing(parts, doing, now, clock_set=clock_set, hush=hush))


def standing(parts: Parts, doing: str, now: Moment, *, clock_set: bool, hush: str = "") -> Health:
    """What is known at present; what is not known stays out, and the message says so."""
    readings = parts.care.desk.latest(parts.process_clock.now()) if parts.care else {}
    ledger = parts.ledger
    try:
        deliveries, free = ledger.deliveries(), ledger.free_bytes()
    except StoreError as error:
        deliveries, free = {}, None
        missing: tuple[str, ...] = (f"The store cannot be read: {error.what}.",)
    else:
        missing = ()
    return Health(
        box="",
        uptime_s=now.mono_s - ledger.began.mono_s,
        doing=doing,
        clock_set=clock_set,
        visits=ledger.tally.visits,
        last_visit_ago_s=None if ledger.last_visit is None else now.mono_s - ledger.last_visit.mono_s,
        readings={name: each.text for name, each in readings.items() if _tells(each)},
        disk_free_bytes=free,
        wifi_dbm=next((each.value for each in readings.values() if each.unit is Unit.DBM), None),
        deliveries=deliveries,
        unstored=ledger.waiting,
        lost=ledger.tally.lost,
        hush=hush,
        missing=missing,
    )


def _tells(reading: Reading) -> bool:
    return reading.value is None or reading.unit not in _OWN_LINES
