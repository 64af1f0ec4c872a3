"""Several recipients behind one sink, each of whom waits for itself: pure, values in, new values out.

A full mailbox must not keep alerts from the others. So a recipient that is put off while another can be
reached rests alone; the line to the sink rests only when nobody behind it can be reached. Who has an alert
already, or turned it away, stands with its delivery and is not asked again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from dooryard.outbox.schedule import CircuitBreaker, Delivery, RetryRules, breaker_after
from dooryard.sinks.base import SendOutcome, SendResult

Resting = Mapping[str, CircuitBreaker]  # recipient -> how it failed, and until when it is left alone


@dataclass(frozen=True, slots=True)
class Conclusion:
    """What one attempt came to."""

    delivery: Delivery  # with who is done with
    answer: SendResult  # for the delivery as a whole
    way: SendResult  # for the line to the sink
    resting: Resting


def to_go(delivery: Delivery, recipients: Sequence[str]) -> list[str]:
    """Who is still to get it."""
    return [each for each in recipients if each not in delivery.taken | delivery.refused]


def to_try(delivery: Delivery, recipients: Sequence[str], resting: Resting, now_s: float) -> list[str]:
    """Who is to be tried now: of those still to get it, the ones that don't rest."""
    return [each for each in to_go(delivery, recipients) if _until_s(resting, each) <= now_s]


def paced(deliveries: Iterable[Delivery], recipients: Sequence[str], resting: Resting) -> list[Delivery]:
    """The deliveries, each due no earlier than the first of its recipients."""
    if not resting:
        return list(deliveries)
    return [
        replace(delivery, due_s=max(delivery.due_s, _first_s(to_go(delivery, recipients), resting)))
        for delivery in deliveries
    ]


def concluded(
    delivery: Delivery,
    answer: SendResult,
    recipients: Sequence[str],
    resting: Resting,
    now_s: float,
    jitter: float,
    rules: RetryRules,
) -> Conclusion:
    """What `answer` means for the delivery, the line and the recipients."""
    if not answer.each:
        return Conclusion(delivery, answer, answer, resting)
    tried = {
        outcome: {name for name, had in answer.each.items() if had is outcome} for outcome in SendOutcome
    }
    done = replace(
        delivery,
        taken=delivery.taken | tried[SendOutcome.SENT],
        refused=delivery.refused | tried[SendOutcome.REFUSED],
    )
    put_off = tried[SendOutcome.NOT_SENT]
    others = [name for name in recipients if name not in answer.each and name not in resting]
    reached = tried[SendOutcome.SENT] or tried[SendOutcome.REFUSED] or others
    now_resting = {name: breaker for name, breaker in resting.items() if name not in answer.each}
    if not reached or tried[SendOutcome.MAYBE_SENT]:  # nobody behind it: the line rests, and they with it
        return Conclusion(done, _of_all(done, answer, recipients, now_resting), answer, now_resting)
    for name in sorted(put_off):
        breaker = breaker_after(
            resting.get(name, CircuitBreaker()),
            replace(answer, outcome=SendOutcome.NOT_SENT),
            now_s,
            jitter,
            rules,
            newest_seq=0,
        )
        now_resting[name] = replace(breaker, why=answer.text)
    way = replace(answer, outcome=SendOutcome.SENT)
    return Conclusion(done, _of_all(done, answer, recipients, now_resting), way, now_resting)


def _of_all(
    delivery: Delivery, answer: SendResult, recipients: Sequence[str], resting: Resting
) -> SendResult:
    left = to_go(delivery, recipients)
    if not left:
        return replace(answer, outcome=SendOutcome.SENT if delivery.taken else SendOutcome.REFUSED)
    outcome = SendOutcome.MAYBE_SENT if answer.outcome is SendOutcome.MAYBE_SENT else SendOutcome.NOT_SENT
    untried = [name for name in left if name not in answer.each]
    why = [f"{name} ({resting[name].why})" if name in resting else name for name in untried]
    text = f"{answer.text}; still to go to {', '.join(why)}" if untried else answer.text
    return replace(answer, outcome=outcome, text=text)


def _until_s(resting: Resting, name: str) -> float:
    return resting[name].rests_until_s if name in resting else float("-inf")


def _first_s(names: Sequence[str], resting: Resting) -> float:
    return min((_until_s(resting, name) for name in names), default=float("-inf"))
