"""Keeps the journal up to date while the box watches: begins a build when due, hears how it ended. Edge."""

from __future__ import annotations

import logging
import sys
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Protocol

from dooryard.box.file import BoxFile
from dooryard.core.clock import Clock
from dooryard.core.log import say
from dooryard.core.records import Moment
from dooryard.journal import pace
from dooryard.journal.files import stands
from dooryard.journal.pace import PaceRules, PendingChanges
from dooryard.journal.paths import SITE
from dooryard.pipeline import Conditions
from dooryard.service.journal_process import Builder, Ended
from dooryard.service.visit_store import VisitStore

_log = logging.getLogger("dooryard")


def scheduler_of(
    box: BoxFile, box_file: Path, policy_file: Path | None, clock: Clock, visit_store: VisitStore
) -> JournalScheduler | None:
    """The scheduler of a box's journal; None where it is built only when asked to."""
    if box.journal.build == "never":
        return None
    command = [sys.executable, "-P", "-m", "dooryard", "journal", "--box", str(box_file.resolve())]
    if policy_file is not None:
        command += ["--policy", str(policy_file.resolve())]
    return JournalScheduler(
        Builder(command, clock),
        PaceRules(box.journal.build, every_s=box.journal.every_min * 60),
        visit_store,
        box_file.resolve().parent / box.state_folder / SITE,
        tuple(table.name for table in box.sink if table.kind == "publish"),
    )


class Build(Protocol):
    """What `builder.Builder` does."""

    @property
    def running(self) -> bool: ...

    def begin(self) -> Ended | None: ...

    def poll(self) -> Ended | None: ...

    def stop(self) -> None: ...


@dataclass(slots=True)
class JournalScheduler:
    """`tick` is called with every frame and returns at once; `stop` at the end.

    `publish_to` are the sinks that bring the journal elsewhere; they hear of it when it has changed.
    """

    builder: Build
    rules: PaceRules
    visit_store: VisitStore
    folder: Path  # the journal's
    publish_to: tuple[str, ...] = ()
    trouble: str = ""  # why the last build came to nothing
    _pace: PendingChanges | None = None
    _ended: int = 0  # visits that were over at the last turn
    _watching: bool = True
    _today: date | None = field(default=None)

    def tick(self, rules: Conditions, now: Moment, *, watching: bool, hot: bool) -> list[str]:
        """Begin a build if one is due, and take in one that ended. Returns what is to be told.

        No build begins while the box does less because of heat or weak power.
        """
        self._take_in(rules, now, watching=watching)
        ended = self.builder.poll()
        if ended is None and not self.builder.running and not hot:
            assert self._pace is not None  # `_take_in` made it
            if pace.due(self._pace, self.rules, now.mono_s):
                self._pace = pace.begun(now.mono_s)
                ended = self.builder.begin()
        return [] if ended is None else self._heard(ended, rules, now)

    def stop(self) -> None:
        self.builder.stop()

    def _take_in(self, rules: Conditions, now: Moment, *, watching: bool) -> None:
        """What has happened since the last turn, as far as it concerns the journal."""
        ended = self.visit_store.tally.ended
        if self._pace is None:
            # After a start nobody knows what the journal lacks.
            self._pace, self._watching = pace.changed(PendingChanges(), now.mono_s), watching
        elif ended != self._ended:
            self._pace = pace.changed(self._pace, now.mono_s)
        self._ended = ended
        today = now.wall.astimezone(rules.policy.place.zone).date() if rules.clock_set else self._today
        if (self._today not in (None, today)) or (self._watching and not watching):
            self._pace = pace.day_over(self._pace)
        self._today, self._watching = today, watching

    def _heard(self, ended: Ended, rules: Conditions, now: Moment) -> list[str]:
        if ended.why:
            assert self._pace is not None
            self._pace = pace.failed(self._pace)
            if ended.busy or self.trouble:
                say(_log, logging.INFO, "journal not built", why=ended.why)
                return []
            self.trouble = ended.why
            return [f"the journal cannot be built: {ended.why}"]
        told = ["the journal is built again"] if self.trouble else []
        self.trouble = ""
        found = stands(self.folder)
        if found is not None:
            place = rules.policy.place.name
            self.visit_store.publish(found, self.publish_to, place, now, clock_set=rules.clock_set)
        return told
