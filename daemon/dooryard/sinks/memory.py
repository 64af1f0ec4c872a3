"""A sink that keeps what it is given and answers from a script: for rehearsals and tests."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from dooryard.core.records import Alert
from dooryard.sinks.base import SendOutcome, SendResult

SENT = SendResult(SendOutcome.SENT, "kept in memory")


class MemorySink:
    """Answers with `answers`, one after the other, then says "sent" for ever.

    `received` holds what a receiver would have: the alerts answered with SENT, and those with MAYBE_SENT
    (they may have arrived; here they did). At most `keep` of them stay.
    """

    def __init__(self, name: str, answers: Iterable[SendResult] = (), *, keep: int = 1000) -> None:
        self.name = name
        self.received: deque[tuple[Alert, bytes | None]] = deque(maxlen=keep)
        self.attempts = 0
        self.closed = False
        self._answers = iter(answers)

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        self.attempts += 1
        answer = next(self._answers, SENT)
        if answer.outcome in {SendOutcome.SENT, SendOutcome.MAYBE_SENT}:
            self.received.append((alert, picture))
        return answer

    def close(self) -> None:
        self.closed = True
