"""START HERE. The whole product in three pure functions.

    step     a frame came in (or none did): what moved, and is it worth a closer look?
    looked   the closer look is done: who is it, is this a visit, and is it to be told?
    sampled  a look where nobody is, now and then: what does this place look like when empty?

All take the state, what holds at present and the time, and return a new state and a tuple of
effects. Nothing here reads a clock, a file or a network: `run` does the effects.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from dooryard import gate
from dooryard.core.effects import (
    BackgroundSample,
    ClassifyRequest,
    Effect,
    Nobody,
    Record,
    Rest,
    StillHere,
    Update,
)
from dooryard.core.records import Box, Decision, Frame, Moment, Outcome, Sighting, Visit
from dooryard.gate import GateSettings, GateState
from dooryard.policy import awaited
from dooryard.policy.absence import Absences, watched
from dooryard.policy.case import day_of
from dooryard.policy.decide import decide
from dooryard.policy.hours import watching
from dooryard.policy.patience import Wait, waiting, with_waits
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from dooryard.policy.still_here import is_still_here
from dooryard.site import site_model
from dooryard.tracking import visits
from dooryard.tracking.regions import worth_a_look
from dooryard.tracking.visits import VisitSettings, VisitsState


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
    sample_every_s: float = 30.0  # a look where nobody is, to learn the place; infinity: none
    group_of: Mapping[str, str] = field(
        default_factory=dict
    )  # group of each species' name, as far as it is known
    muted_until: datetime | None = None  # when a mute ends that somebody asked for


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """All that is remembered between frames."""

    visits: VisitsState
    policy: PolicyState
    gate: GateState | None = None
    place: site_model.SiteModel | None = None  # None: the classifier gives no features to know a place by
    watching: bool = True
    looks: tuple[tuple[Box, float], ...] = ()  # where was looked lately, and when (monotonic seconds)
    decided: dict[str, Decision] = field(default_factory=dict)  # of the visits that last
    waits: Mapping[str, tuple[Wait, ...]] = field(default_factory=dict)  # of visits not decided on yet
    still_here: frozenset[str] = frozenset()  # those of them that were sent again as still here
    absences: Absences = field(default_factory=Absences)


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
    if conditions.policy.absence:
        state = replace(state, absences=watched(state.absences, now.mono_s))
    moved, motions = gate.watch(
        state.gate, frame.luma, frame.mono_s, conditions.gate, occupied=state.visits.occupied
    )
    state = replace(state, gate=moved)
    every_s = conditions.look_every_s
    boxes = worth_a_look(
        motions, state.visits.occupied, state.looks, now.mono_s, every_s=every_s, most=conditions.most_looks
    )
    if not boxes:
        samples: tuple[Effect, ...] = ()
        if state.place and not state.visits.tracks:
            every_s = conditions.sample_every_s
            known, box = site_model.background_sample(
                state.place, moved, conditions.gate, now.mono_s, every_s
            )
            state, samples = replace(state, place=known), (BackgroundSample(frame, box),) if box else ()
        state, effects = looked(state, (), (), conditions, now)
        return state, (*samples, *effects)
    recent = tuple(look for look in state.looks if now.mono_s - look[1] < every_s)
    noted = state.place and site_model.noted(state.place, boxes, now.mono_s)
    looks = recent + tuple((box, now.mono_s) for box in boxes)
    return replace(state, looks=looks, place=noted), (ClassifyRequest(frame, boxes),)


def looked(
    state: State,
    boxes: Sequence[Box],
    sightings: Sequence[Sighting],
    conditions: Conditions,
    now: Moment,
) -> tuple[State, tuple[Effect, ...]]:
    """Take in what the classifier saw in `boxes` (one sighting a box; both may be empty)."""
    if state.place is not None:
        sightings = site_model.posterior(state.place, sightings)
    looks = zip(boxes, sightings, strict=True)
    taught = state.gate and site_model.gate_taught(
        state.gate, looks, state.visits.occupied, now.mono_s, conditions.gate, conditions.visits
    )
    new, changes = visits.advance(state.visits, sightings, now, conditions.visits)
    known = state.place and site_model.learned(state.place, changes.empty)
    state = replace(state, gate=taught, visits=new, place=known)
    return _decide_all(state, changes, conditions, now)


def sampled(state: State, sighting: Sighting) -> State:
    """Take in what the classifier saw where nobody is."""
    return replace(state, place=state.place and site_model.sampled(state.place, sighting))


def waited(state: State, conditions: Conditions, now: Moment) -> tuple[State, tuple[Effect, ...]]:
    """Let time pass, with or without frames: has somebody stayed away for too long?"""
    absences, told = awaited.waited(
        conditions.policy, state.absences, now, clock_set=conditions.clock_set, salt=state.visits.salt
    )
    return (state if absences is state.absences else replace(state, absences=absences)), told


def finish(state: State, conditions: Conditions, now: Moment) -> tuple[State, tuple[Effect, ...]]:
    """End the visits that last, and decide on them: the camera rests or the program stops."""
    new, changes = visits.finish(state.visits, now, conditions.visits)
    return _decide_all(replace(state, visits=new), changes, conditions, now)


def _decide_all(
    state: State, changes: visits.Changes, conditions: Conditions, now: Moment
) -> tuple[State, tuple[Effect, ...]]:
    """Decide on each visit that settled or ended. One already told is only brought up to date, or told again.

    Longer than most: what becomes of a visit, and when it counts as seen, stands in one place.
    """
    decided, waits, still_here = dict(state.decided), dict(state.waits), set(state.still_here)
    effects, policy = _nothing(changes, decided), state.policy
    if changes.ended:
        policy = replace(policy, seen=policy.seen.ending(changes.ended, now.mono_s))
    here = visits.lasting(state.visits, conditions.visits) if changes.settled or changes.ended else ()
    for visit in (*changes.settled, *changes.ended):
        over = visit.end is not None
        earlier = decided.pop(visit.id, None) if over else decided.get(visit.id)
        if earlier is not None:
            if over:
                effects.append(Update(visit, earlier))
                policy = _seen(policy, visit, conditions, now)
            elif visit.id not in still_here and is_still_here(conditions.policy, visit, earlier):
                effects.append(StillHere(visit, earlier))
                still_here.add(visit.id)
            continue
        policy, decision = decide(
            conditions.policy, policy, visit, now, conditions.clock_set,
            sinks=conditions.sinks, group_of=conditions.group_of, lasting=here,
            muted_until=conditions.muted_until,
        )  # fmt: skip
        # Silence is final only when the visit is over: it may yet become sure enough, stay long enough,
        # or outlast a cooldown, and a rule may wait for an earlier one.
        if over or decision.outcome is not Outcome.SILENT:
            decision = with_waits(decision, waits.pop(visit.id, ()), now.mono_s)
            effects.append(Record(visit, decision))
            policy = _seen(policy, visit, conditions, now)
            if not over:
                decided[visit.id] = decision
        elif decision.waits:
            waits[visit.id] = waiting(waits.get(visit.id, ()), decision, now.mono_s)
    told_of = [visit for visit in (*changes.nobody, *changes.merged) if visit.id in decided]
    effects += [Update(visit, decided.pop(visit.id)) for visit in told_of]
    for visit in (*changes.nobody, *changes.merged):
        waits.pop(visit.id, None)
    still_here.intersection_update(decided)
    absences, come = awaited.counted(
        conditions.policy, state.absences, effects, told_of, now,
        clock_set=conditions.clock_set, group_of=conditions.group_of, salt=state.visits.salt,
    )  # fmt: skip
    state = replace(state, policy=policy, decided=decided, waits=waits, still_here=frozenset(still_here))
    return replace(state, absences=absences), (*effects, *come)


def _nothing(changes: visits.Changes, decided: Mapping[str, Decision]) -> list[Effect]:
    """What is said of visits that came to nothing before anything was decided on them."""
    part = "it was part of the visit beside it"
    effects: list[Effect] = [Nobody(visit) for visit in changes.nobody if visit.id not in decided]
    return effects + [Nobody(visit, part) for visit in changes.merged if visit.id not in decided]


def _seen(policy: PolicyState, visit: Visit, conditions: Conditions, now: Moment) -> PolicyState:
    """`visit` counts as seen: a decision on it is final, or it is over and may have a better name."""
    day = day_of(conditions.policy, now, conditions.clock_set)
    return replace(policy, seen=policy.seen.seeing(visit.visitor, day))
