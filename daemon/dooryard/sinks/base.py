"""What every sink promises: one delivery in, one outcome out, nothing kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from dooryard.core.records import Alert


class SendOutcome(StrEnum):
    """What became of one attempt."""

    SENT = "sent"
    NOT_SENT = "not sent"  # it never reached the receiver: try again
    MAYBE_SENT = "maybe sent"  # it may have arrived: try again under the same id
    REFUSED = "refused"  # the receiver will never take it: set aside


@dataclass(frozen=True, slots=True)
class SendResult:
    """The outcome of one attempt, in words that stand in the log and the visit store."""

    outcome: SendOutcome
    text: str  # "HTTP 503", "name not found: hooks.example"; never a secret
    retry_after_s: float | None = None  # as the receiver asks
    # Of a sink with several recipients: what became of it for each that this attempt was for.
    each: Mapping[str, SendOutcome] = field(default_factory=dict, compare=False)


class Sink(Protocol):
    """A way out."""

    name: str

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        """Try once to deliver `alert` with its JPEG. Never raises for what a peer or network does."""
        ...

    def close(self) -> None:
        """Let go of connections. May be called twice."""
        ...


@runtime_checkable
class ManyRecipients(Protocol):
    """A sink that hands each alert to several, of whom one may take it and another not yet."""

    recipients: tuple[str, ...]

    def send_to(self, alert: Alert, picture: bytes | None, wanted: Sequence[str]) -> SendResult:
        """Try once to deliver to `wanted`, some of `recipients`; the answer says what became of it for each.

        An answer without `each` is about the way to all of them.
        """
        ...
