"""Stores the message that a visit, told before, is still here, with the best picture so far.

What the disk refuses waits in memory, `MOST_WAITING` messages at most, and is tried again every minute.
"""

from __future__ import annotations

import logging
from collections import deque

from dooryard.core.effects import StillHere
from dooryard.core.errors import StoreError
from dooryard.core.log import say
from dooryard.core.records import Alert, Moment
from dooryard.outbox.store import VISIT_PICTURE, Store
from dooryard.pipeline import Conditions
from dooryard.policy.say import still_here_alert
from dooryard.service.picture_making import VisitPictures

MOST_WAITING = 8
_log = logging.getLogger("dooryard")


class SecondMessages:
    """One message for each visit; one that is stored already, as a recording is read again, stays alone."""

    def __init__(self, store: Store, pictures: VisitPictures) -> None:
        self._store = store
        self._pictures = pictures
        self._waiting: deque[Alert] = deque()

    def take(self, effect: StillHere, conditions: Conditions, now: Moment) -> None:
        """Store the message with its picture; without a new one where there is no room for it."""
        visit = effect.visit
        alert = still_here_alert(
            conditions.policy, visit, effect.decision, now, conditions.clock_set, picture=VISIT_PICTURE
        )
        say(_log, logging.INFO, "still here", visit=visit.id, text=alert.text)
        try:
            jpeg = self._pictures.fresh(visit, conditions, now)
            if self._store.alert(alert.id) is not None:
                return
            if self._store.update_visit(visit, jpeg, alerts=[alert]):
                self._pictures.stored(visit)
                return
        except StoreError as error:
            say(_log, logging.ERROR, "message not stored with its picture", visit=visit.id, why=error.what,
                to_do=error.remedy)  # fmt: skip
        self._waiting.append(alert)  # the visit itself may wait to be stored
        self.retry()

    def retry(self) -> None:
        """Store what waits. A visit may be over by now; its message says when it was still here."""
        waiting, self._waiting = self._waiting, deque()
        for alert in waiting:
            try:
                if not self._stored(alert):
                    self._waiting.append(alert)
            except StoreError as error:
                say(_log, logging.ERROR, "message not stored", alert=alert.id, why=error.what,
                    to_do=error.remedy)  # fmt: skip
                self._waiting.append(alert)
        while len(self._waiting) > MOST_WAITING:
            lost = self._waiting.popleft()
            say(_log, logging.ERROR, "lost: the disk refused for too long", alert=lost.id, text=lost.text)

    def _stored(self, alert: Alert) -> bool:
        """Whether it is stored now; False: its visit is not stored yet."""
        if self._store.alert(alert.id) is not None:
            return True
        if alert.visit is None or self._store.visit(alert.visit) is None:
            return False
        self._store.add_alert(alert)
        return True
