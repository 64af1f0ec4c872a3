"""What a trial is: something done to a real server, the outcome and the remedy that must be shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from dooryard.cli.try_sinks import trial_alert, trial_picture
from dooryard.core.clock import FakeClock
from dooryard.core.errors import DooryardError
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.remedies import remedy_for

Place = TypeVar("Place")  # the running servers
NOW = FakeClock().now()
ALERT = trial_alert("Alder Row", NOW, bytes(16), clock_set=True)
PICTURE = trial_picture("Alder Row")


class NotTriedError(Exception):
    """The text says what is missing here."""


@dataclass(frozen=True)
class Seen:
    """What the sink answered, and what is wrong at the receiver's end (None: nothing)."""

    answer: SendResult
    problem: str | None = None


@dataclass(frozen=True)
class Case(Generic[Place]):
    """`remedy` is a part of the one that must be shown; None: the message arrives and none is shown.

    `or_outcome` is what another version of the same server makes of it.
    """

    name: str
    outcome: SendOutcome
    remedy: str | None
    run: Callable[[Place], Seen]
    or_outcome: SendOutcome | None = None


@dataclass(frozen=True)
class Outcome:
    """What came of a case. `problem` says what is not as stated; `not_tried` why it could not be."""

    server: str
    case: str
    said: str = ""
    remedy: str = ""
    problem: str | None = None
    not_tried: str | None = None


def judged(server: str, case: Case[Place], place: Place) -> Outcome:
    """Run `case` at `place` and compare."""
    try:
        seen = case.run(place)
    except NotTriedError as reason:
        return Outcome(server, case.name, not_tried=str(reason))
    except DooryardError as error:
        # Found before anything was sent: the program ends with these words.
        found = (
            None
            if case.outcome is SendOutcome.REFUSED and case.remedy and case.remedy in error.remedy
            else "raised"
        )
        return Outcome(server, case.name, error.what, error.remedy, problem=found)
    except Exception as error:  # noqa: BLE001  whatever it is, it is the finding
        return Outcome(server, case.name, problem=f"raised {error!r}"[:300])
    shown = remedy_for(seen.answer)
    said = f"{seen.answer.outcome.value}: {seen.answer.text}"
    return Outcome(server, case.name, said, shown or "", problem=_problem(case, seen, shown))


def _problem(case: Case[Place], seen: Seen, shown: str | None) -> str | None:
    if seen.answer.outcome not in {case.outcome, case.or_outcome}:
        return f"must be {case.outcome.value}"
    if (case.remedy is None) != (shown is None) or (case.remedy or "") not in (shown or ""):
        return f"the remedy must say: {case.remedy}"
    return seen.problem
