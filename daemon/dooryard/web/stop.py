"""Signals that ask a page to end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

ASKED = (signal.SIGTERM, signal.SIGINT)


@contextmanager
def stopped_by(stop: threading.Event, numbers: Sequence[signal.Signals] = ASKED) -> Iterator[None]:
    """While inside, these signals set `stop`. For the main thread only."""

    def asked(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, asked) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
