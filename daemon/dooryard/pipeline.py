"""START HERE. The whole product in two pure functions.

    step    a frame came in (or none did): what moved, and is it worth a closer look?
    looked  the closer look is done: who is it, is this a visit, and is it to be told?

Both take the state, what holds at present and the time, and return a new state and a tuple of
effects. Nothing here reads a clock, a file or a network: `run` does the effects.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from dooryard import gate, visits
from dooryard.effects import Effect, Look, Nobody, Record, Rest, Update
from dooryard.gate import GateSettings, GateState
from dooryard.looks import worth_a_look
from dooryard.policy.decide import decide
from dooryard.policy.hours import watching
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from dooryard.records import Box, Decision, Frame, Moment, Outcome, Sighting, Visit
from dooryard.visits import VisitSettings, VisitsState


@dataclass(frozen=True, slots=True)
class Conditions:
    """What holds at present: the rules in force, and the state of the world outside the frames."""

    policy: Policy
    gate: GateSettings
    visits: VisitSettings
    sinks: frozenset[str]
    clock_set: bool = True
    look_every_s: float = 0.8  # the same place is looked at no more often than this
    most_looks: int = 2  # looks at one frame


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """All that is remembered between frames."""

    visits: VisitsState
    policy: PolicyState
    gate: GateState | None = None
    watching: bool = True
    looks: tuple[tuple[Box, float], ...] = ()  # where was looked lately, and when (monotonic seconds)
    decided: dict[str, Decision] = field(default_factory=dict)  # of the visits that last


def step(
    state: State, frame: Frame | None, conditions: Conditions, now: Moment
) -> tuple[State, tuple[Effect, ...]]:
    """Take in one frame; None means that none came (the camera rests, or stalled)."""
    watch = watching(conditions.policy, now.wall, conditions.clock_set)
    if watch != state.watching:
        state = replace(state, watching=watch)
        if watch:
            return state, (Rest(resting=False),)
        state, effects = finish(state, conditions, now)
        return state, (*effects, Rest(resting=True))
    if frame is None or not watch:
        return looked(state, (), (), conditions, now)
    moved, motions = gate.watch(
        state.gate, frame.luma, frame.mono_s, conditions.gate, occupied=state.visits.occupied
    )
    state = replace(state, gate=moved)
    every_s = conditions.look_every_s
    boxes = worth_a_look(
        motions, state.visits.occupied, state.looks, now.mono_s, every_s=every_s, most=conditions.most_looks
    )
    if not boxes:
        return looked(state, (), (), conditions, now)
    recent = tuple(look for look in state.looks if now.mono_s - look[1] < every_s)
    state = replace(state, looks=recent + tuple((box, now.mono_s) for box in boxes))
    return state, (Look(frame, boxes),)


def looked(
    state: State,
    boxes: Sequence[Box],
    sightings: Sequence[Sighting],
    conditions: Conditions,
    now: Moment,
) -> tuple[State, tuple[Effect, ...]]:
    """Take in what the classifier saw in `boxes` (one sighting a box; both may be empty)."""
    taught = _taught(state, boxes, sightings, conditions, now)
    new, changes = visits.advance(state.visits, sightings, now, conditions.visits)
    state = replace(state, gate=taught, visits=new)
    return _decide_all(state, changes, conditions, now)


def finish(state: State, conditions: Conditions, now: Moment) -> tuple[State, tuple[Effect, ...]]:
    """End the visits that last, and decide on them: the camera rests or the program stops."""
    new, changes = visits.finish(state.visits, now, conditions.visits)
    return _decide_all(replace(state, visits=new), changes, conditions, now)


def _taught(
    state: State,
    boxes: Sequence[Box],
    sightings: Sequence[Sighting],
    conditions: Conditions,
    now: Moment,
) -> GateState | None:
    """The gate, taught by what the classifier saw; a doubtful look teaches nothing."""
    taught = state.gate
    for box, sighting in zip(boxes, sightings, strict=True):
        somebody = sighting.somebody >= conditions.visits.open_at
        nobody = sighting.somebody < conditions.visits.empty_below
        stands_there = any(box.overlap(other) > 0 for other in state.visits.occupied)
        if taught is not None and (somebody or (nobody and not stands_there)):
            taught = gate.learn(taught, box, somebody, now.mono_s, conditions.gate)
    return taught


def _decide_all(
    state: State, changes: visits.Changes, conditions: Conditions, now: Moment
) -> tuple[State, tuple[Effect, ...]]:
    """Decide on each visit that settled or ended. One already told is only brought up to date."""
    policy, decided = state.policy, dict(state.decided)
    effects: list[Effect] = [Nobody(visit) for visit in changes.nobody if visit.id not in decided]
    effects += [
        Nobody(visit, "it was part of the visit beside it")
        for visit in changes.merged
        if visit.id not in decided
    ]
    told_of = [visit for visit in (*changes.nobody, *changes.merged) if visit.id in decided]
    for visit in (*changes.settled, *changes.ended, *told_of):
        over = visit.end is not None
        earlier = decided.pop(visit.id, None) if over else decided.get(visit.id)
        if earlier is not None:
            if over:
                effects.append(Update(visit, earlier))
            continue
        policy, decision = _decide(policy, visit, conditions, now)
        # Silence is final only when the visit is over: it may yet become sure enough, stay long enough,
        # or outlast a cooldown.
        if over or decision.outcome is not Outcome.SILENT:
            effects.append(Record(visit, decision))
            if not over:
                decided[visit.id] = decision
    return replace(state, policy=policy, decided=decided), tuple(effects)


def _decide(
    policy: PolicyState, visit: Visit, conditions: Conditions, now: Moment
) -> tuple[PolicyState, Decision]:
    return decide(conditions.policy, policy, visit, now, conditions.clock_set, sinks=conditions.sinks)
