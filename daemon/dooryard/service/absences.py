"""Messages that nobody came, or that somebody has come after all, into the store. Edge."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable

from dooryard.core.errors import StoreError
from dooryard.core.log import say
from dooryard.core.records import Absent, Alert, Moment
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.absence_text import absence_alert

_MOST_UNSTORED = 40  # as many as there can be absences, told and over
_log = logging.getLogger("dooryard")


class Tidings:
    """Stores what is to be told of absences. What the disk refuses is tried again by the minute."""

    def __init__(self, store: Store, wake: Callable[[], None]) -> None:
        self._store = store
        self._wake = wake
        self._unstored: deque[Alert] = deque(maxlen=_MOST_UNSTORED)

    def tell(self, told: Absent, conditions: Conditions, now: Moment) -> None:
        """Say it in the log, and store it for its sinks, if it has any."""
        alert = absence_alert(conditions.policy, told, now, conditions.clock_set, conditions.sinks)
        text = alert.text if alert else "no sink is to be told"
        say(_log, logging.INFO, "absence over" if told.over else "absence", name=told.absence, text=text)
        if alert is not None:
            self._add(alert)

    def retry(self) -> None:
        """Try again to store what waits."""
        waiting = list(self._unstored)
        self._unstored.clear()
        for alert in waiting:
            self._add(alert)

    def _add(self, alert: Alert) -> None:
        try:
            if self._store.alert(alert.id) is not None:  # a power cut came before it was noted as told
                return
            self._store.add_alert(alert)
        except StoreError as error:
            self._unstored.append(alert)
            say(_log, logging.ERROR, "absence not stored", why=error.what, to_do=error.remedy)
            return
        self._wake()
