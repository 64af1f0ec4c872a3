"""Those who are awaited, and stay away: how the pipeline's state meets the policy's absences. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from dooryard.effects import Effect, Record, Update
from dooryard.policy import absence
from dooryard.policy.absence import Absences

if TYPE_CHECKING:
    from dooryard.pipeline import Conditions, State
    from dooryard.records import Moment, Visit


def waited(state: State, conditions: Conditions, now: Moment) -> tuple[State, tuple[Effect, ...]]:
    """Let time pass, whether the camera watches or not. Called at any time; looks once a minute."""
    wanted, absences = conditions.policy.absence, state.absences
    if not wanted or now.mono_s - absences.looked_s < absence.EVERY_S:
        return state, ()
    absences, told = absence.advance(
        wanted, absences, now, place=conditions.policy.place, clock_set=conditions.clock_set,
        salt=state.visits.salt,
    )  # fmt: skip
    return replace(state, absences=absences), told


def counted(
    state: State, effects: Sequence[Effect], not_again: Sequence[Visit], conditions: Conditions, now: Moment
) -> tuple[Absences, tuple[Effect, ...]]:
    """A visit that is recorded counts as seen, and once more when it is over, unless it is in `not_again`.

    `not_again` are those that proved to be nobody, or part of another.
    """
    wanted = conditions.policy.absence
    visits = (effect.visit for effect in effects if isinstance(effect, Record | Update))
    seen = [visit for visit in visits if visit not in not_again] if wanted else []
    if not seen:
        return state.absences, ()
    return absence.came(
        wanted, state.absences, seen, now, place=conditions.policy.place,
        clock_set=conditions.clock_set, group_of=conditions.group_of, salt=state.visits.salt,
    )  # fmt: skip
