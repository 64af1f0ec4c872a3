"""Those who are awaited, and stay away: how what the pipeline does meets the policy's absences. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dooryard.core.effects import Effect, Record, Update
from dooryard.core.records import Moment, Visit
from dooryard.policy import absence
from dooryard.policy.absence import Absences
from dooryard.policy.schema import Policy


def waited(
    policy: Policy, absences: Absences, now: Moment, *, clock_set: bool, salt: bytes
) -> tuple[Absences, tuple[Effect, ...]]:
    """Let time pass, whether the camera watches or not. Called at any time; looks once a minute."""
    if not policy.absence or now.mono_s - absences.looked_s < absence.EVERY_S:
        return absences, ()
    return absence.advance(policy.absence, absences, now, place=policy.place, clock_set=clock_set, salt=salt)


def counted(
    policy: Policy,
    absences: Absences,
    effects: Sequence[Effect],
    not_again: Sequence[Visit],
    now: Moment,
    *,
    clock_set: bool,
    group_of: Mapping[str, str],
    salt: bytes,
) -> tuple[Absences, tuple[Effect, ...]]:
    """A visit that is recorded counts as seen, and once more when it is over, unless it is in `not_again`.

    `not_again` are those that proved to be nobody, or part of another.
    """
    visits = (effect.visit for effect in effects if isinstance(effect, Record | Update))
    seen = [visit for visit in visits if visit not in not_again] if policy.absence else []
    if not seen:
        return absences, ()
    return absence.came(
        policy.absence, absences, seen, now,
        place=policy.place, clock_set=clock_set, group_of=group_of, salt=salt,
    )  # fmt: skip
