"""The judge and the table of `tools/try_peers`, without a server."""

from __future__ import annotations

import pytest

from dooryard.core.errors import SinkError
from dooryard.sinks.base import SendOutcome, SendResult
from peer_trials.__main__ import closing_line, row
from peer_trials.case import Case, NotTriedError, Outcome, Seen, judged

FULL = SendResult(SendOutcome.NOT_SENT, "SMTP 452 4.2.2 Mailbox full")


def outcome(
    answer: SendResult, outcome: SendOutcome, remedy: str | None, problem: str | None = None
) -> Outcome:
    case: Case[None] = Case("a full mailbox", outcome, remedy, lambda _: Seen(answer, problem))
    return judged("mail", case, None)


def test_as_stated() -> None:
    found = outcome(FULL, SendOutcome.NOT_SENT, "mailbox is full")
    assert found.problem is None
    assert found.said == "not sent: SMTP 452 4.2.2 Mailbox full"
    assert outcome(SendResult(SendOutcome.SENT, "taken"), SendOutcome.SENT, None).problem is None


@pytest.mark.parametrize(
    ("stated", "remedy", "problem", "says"),
    [
        (SendOutcome.REFUSED, "mailbox is full", None, "must be refused"),
        (SendOutcome.NOT_SENT, "disk is full", None, "the remedy must say: disk is full"),
        (SendOutcome.NOT_SENT, None, None, "the remedy must say: None"),
        (SendOutcome.NOT_SENT, "mailbox is full", "no letter came", "no letter came"),
    ],
)
def test_not_as_stated(stated: SendOutcome, remedy: str | None, problem: str | None, says: str) -> None:
    found = outcome(FULL, stated, remedy, problem)
    assert found.problem == says
    assert row(found).endswith(f"NOT AS STATED: {says}")


def test_whatever_is_raised_is_a_finding() -> None:
    def run(error: Exception) -> Outcome:
        def fails(_: None) -> Seen:
            raise error

        return judged("mail", Case("it fails", SendOutcome.REFUSED, "write it again", fails), None)

    assert (run(ValueError("oh")).problem or "").startswith("raised ValueError")
    assert run(NotTriedError("Postfix is away")).not_tried == "Postfix is away"
    # What is refused before anything is sent says so by an error of our own.
    assert run(SinkError("it cannot work", "write it again")).problem is None
    assert run(SinkError("it cannot work", "look elsewhere")).problem == "raised"


def test_the_table() -> None:
    missing = Outcome("web", "delivered", not_tried="nginx is not installed")
    wrong = outcome(FULL, SendOutcome.SENT, None)
    assert "NOT tried: nginx is not installed" in row(missing)
    assert all(len(line) <= 150 for line in row(wrong).splitlines())
    assert closing_line([missing, wrong]) == "2 cases: 0 as stated, 1 not as stated, 1 not tried"
