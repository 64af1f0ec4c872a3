"""The box's status, collected from its parts for the health message. Edge: asks store and sensors."""

from __future__ import annotations

from dooryard.core.errors import StoreError
from dooryard.core.records import Moment
from dooryard.health.report import Health, health_text
from dooryard.sensors.base import Reading, Unit
from dooryard.service.parts import Parts

_OWN_LINES = frozenset({Unit.DBM, Unit.MEGABYTES, Unit.YES_NO})  # said in lines of their own, or not at all


def status_text(parts: Parts, doing: str, now: Moment, *, clock_set: bool, hush: str = "") -> str:
    """The health message; `hush` is the pause or the mute that holds."""
    return health_text(health_of(parts, doing, now, clock_set=clock_set, hush=hush))


def health_of(parts: Parts, doing: str, now: Moment, *, clock_set: bool, hush: str = "") -> Health:
    """What is known at present; what is not known stays out, and the message says so."""
    readings = parts.monitor.poller.latest(parts.process_clock.now()) if parts.monitor else {}
    visit_store = parts.visit_store
    try:
        deliveries, free = visit_store.deliveries(), visit_store.free_bytes()
    except StoreError as error:
        deliveries, free = {}, None
        missing: tuple[str, ...] = (f"The store cannot be read: {error.what}.",)
    else:
        missing = ()
    return Health(
        box="",
        uptime_s=now.mono_s - visit_store.began.mono_s,
        doing=doing,
        clock_set=clock_set,
        visits=visit_store.tally.visits,
        last_visit_ago_s=None
        if visit_store.last_visit is None
        else now.mono_s - visit_store.last_visit.mono_s,
        readings={name: each.text for name, each in readings.items() if _tells(each)},
        disk_free_bytes=free,
        wifi_dbm=next((each.value for each in readings.values() if each.unit is Unit.DBM), None),
        deliveries=deliveries,
        unstored=visit_store.waiting,
        lost=visit_store.tally.lost,
        hush=hush,
        missing=missing,
    )


def _tells(reading: Reading) -> bool:
    return reading.value is None or reading.unit not in _OWN_LINES
