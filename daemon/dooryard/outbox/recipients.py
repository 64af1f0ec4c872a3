"""Several recipients behind one sink, each of whom waits for itself: pure, values in, new values out.

A full mailbox must not keep alerts from the others. So a recipient that is put off while another can be
reached rests alone; the line to the sink rests only when nobody behind it can be reached. Who has an alert
already, or turned it away, stands with its errand and is not asked again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from dooryard.outbox.schedule import Errand, Line, Rules, line_after
from dooryard.sinks.base import Answer, Fate

Resting = Mapping[str, Line]  # recipient -> how it failed, and until when it is left alone


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one attempt came to."""

    errand: Errand  # with who is done with
    answer: Answer  # for the errand as a whole
    way: Answer  # for the line to the sink
    resting: Resting


def to_go(errand: Errand, recipients: Sequence[str]) -> list[str]:
    """Who is still to get it."""
    return [each for each in recipients if each not in errand.taken | errand.refused]


def to_try(errand: Errand, recipients: Sequence[str], resting: Resting, now_s: float) -> list[str]:
    """Who is to be tried now: of those still to get it, the ones that don't rest."""
    return [each for each in to_go(errand, recipients) if _until_s(resting, each) <= now_s]


def paced(errands: Iterable[Errand], recipients: Sequence[str], resting: Resting) -> list[Errand]:
    """The errands, each due no earlier than the first of its recipients."""
    if not resting:
        return list(errands)
    return [
        replace(errand, due_s=max(errand.due_s, _first_s(to_go(errand, recipients), resting)))
        for errand in errands
    ]


def concluded(
    errand: Errand,
    answer: Answer,
    recipients: Sequence[str],
    resting: Resting,
    now_s: float,
    jitter: float,
    rules: Rules,
) -> Outcome:
    """What `answer` means for the errand, the line and the recipients."""
    if not answer.each:
        return Outcome(errand, answer, answer, resting)
    tried = {fate: {name for name, had in answer.each.items() if had is fate} for fate in Fate}
    done = replace(
        errand,
        taken=errand.taken | tried[Fate.SENT],
        refused=errand.refused | tried[Fate.REFUSED],
    )
    put_off = tried[Fate.NOT_SENT]
    others = [name for name in recipients if name not in answer.each and name not in resting]
    reached = tried[Fate.SENT] or tried[Fate.REFUSED] or others
    now_resting = {name: line for name, line in resting.items() if name not in answer.each}
    if not reached or tried[Fate.MAYBE_SENT]:  # nobody behind it: the line rests, and they with it
        return Outcome(done, _of_all(done, answer, recipients, now_resting), answer, now_resting)
    for name in sorted(put_off):
        line = line_after(
            resting.get(name, Line()), replace(answer, fate=Fate.NOT_SENT), now_s, jitter, rules, newest_seq=0
        )
        now_resting[name] = replace(line, why=answer.text)
    way = replace(answer, fate=Fate.SENT)
    return Outcome(done, _of_all(done, answer, recipients, now_resting), way, now_resting)


def _of_all(errand: Errand, answer: Answer, recipients: Sequence[str], resting: Resting) -> Answer:
    left = to_go(errand, recipients)
    if not left:
        return replace(answer, fate=Fate.SENT if errand.taken else Fate.REFUSED)
    fate = Fate.MAYBE_SENT if answer.fate is Fate.MAYBE_SENT else Fate.NOT_SENT
    untried = [name for name in left if name not in answer.each]
    why = [f"{name} ({resting[name].why})" if name in resting else name for name in untried]
    text = f"{answer.text}; still to go to {', '.join(why)}" if untried else answer.text
    return replace(answer, fate=fate, text=text)


def _until_s(resting: Resting, name: str) -> float:
    return resting[name].rests_until_s if name in resting else float("-inf")


def _first_s(names: Sequence[str], resting: Resting) -> float:
    return min((_until_s(resting, name) for name in names), default=float("-inf"))
