"""The last lines of the log: what a run came to."""

from __future__ import annotations

import logging
import resource

from dooryard.core.log import say
from dooryard.gate.tally import totals
from dooryard.service.loop import Loop
from dooryard.service.visit_store import VisitStore

_log = logging.getLogger("dooryard")


def last_words(loop: Loop, visit_store: VisitStore) -> None:
    """Say what the gate held back, and the counts since the start."""
    if loop.state.gate is not None:
        for reason, count in totals(loop.state.gate.tally).items():
            if reason is not None and count:
                say(_log, logging.INFO, "held back by the gate", reason=reason.value, times=count)
    tally = visit_store.tally
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
    say(
        _log,
        logging.INFO,
        "stopped",
        frames=loop.frames,
        looks=loop.looks,
        nobody=loop.nobody,
        visits=tally.visits,
        told=tally.told,
        lost=tally.lost,
        peak_memory_mb=round(peak_mb),
    )
