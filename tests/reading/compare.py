"""Puts the same visits and days to the engine and to the second reading, and finds where they differ."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dooryard.core.records import Outcome
from dooryard.policy import decide
from dooryard.policy.state import PolicyState
from reading.days import Days, said_twice
from reading.made import GROUP_OF, Ask, Case
from reading.simple import Answer, Around, Reader


def answers(case: Case, module: Any = decide, state: Any = None) -> Iterator[tuple[Ask, Answer, Answer]]:
    """Each ask with the answers of the second reading and of the engine in `module`.

    A visit that was told or held is not asked about again, as in the pipeline.
    """
    policy, done = case.policy, set[str]()
    reader = Reader(case.tables, case.sinks, GROUP_OF)
    state = PolicyState() if state is None else state
    for ask in case.asks:
        if ask.visit.id in done:
            continue
        state, decision = module.decide(
            policy, state, ask.visit, ask.now, ask.clock_set, sinks=case.sinks, group_of=GROUP_OF
        )
        ours = reader.answer(ask.visit, Around(ask.now, ask.clock_set))
        theirs = Answer(decision.outcome, decision.rule, frozenset(decision.sinks))
        if Outcome.SILENT not in (ours.outcome, theirs.outcome):
            done.add(ask.visit.id)
        yield ask, ours, theirs


def difference(case: Case, module: Any = decide, state: Any = None) -> str | None:
    """The first ask that the two answer differently, in words; None where there is none."""
    for number, (ask, ours, theirs) in enumerate(answers(case, module, state)):
        if ours != theirs:
            return (
                f"ask {number} at {ask.now.wall} (clock set: {ask.clock_set}): {ask.visit.visitor}, "
                f"{ask.visit.stay_s} s, over: {ask.visit.end is not None}\n"
                f"second reading: {ours}\nthe engine:     {theirs}\npolicy: {case.tables}"
            )
    return None


def difference_of_days(days: Days) -> str | None:
    """The first instant of which the two say something different, in words; None where there is none."""
    for number, (instant, ours, theirs) in enumerate(said_twice(days)):
        if ours != theirs:
            return (
                f"instant {number} at {instant.now.wall} (clock set: {instant.clock_set}, muted until "
                f"{instant.muted_until}), {len(instant.sightings)} seen\n"
                f"second reading: {ours}\nthe engine:     {theirs}\npolicy: {days.tables}"
            )
    return None
