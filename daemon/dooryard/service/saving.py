"""When what a restart needs is saved: seldom, to spare the card, and at once where a decision changed."""

from __future__ import annotations

from dataclasses import replace

from dooryard import gate
from dooryard.core.records import Moment
from dooryard.outbox.store import Store
from dooryard.pipeline import State
from dooryard.policy import absence_saved
from dooryard.policy.absence import what_was_told
from dooryard.policy.state import PolicyState
from dooryard.site import site_model

STATES_EVERY_S = 300.0  # while no decision changed them
GATE_EVERY_S = 3600.0
PLACE_EVERY_S = 10_800.0
_QUIET_S = 5.0  # since the last look
ABSENCES = "absences"  # the state's name
RECORDING = "recording"  # the "boot" of a recording: its monotonic seconds go on over every run


def _is_idle(state: State, now: Moment) -> bool:
    """Whether nobody is or was there a moment ago: a run that goes on from here does as this one does."""
    looked = any(now.mono_s - at_s < _QUIET_S for _, at_s in state.looks)
    return not (state.visits.tracks or state.visits.departed or looked)


def _decided(state: State) -> tuple[PolicyState, object]:
    """What is saved once it changes. Not which visits are over: they are many, and count for an hour only."""
    policy = replace(state.policy, seen=replace(state.policy.seen, over=()))
    return policy, what_was_told(state.absences)


class Saving:
    """Saves cooldowns, steps, what the place taught, and how far a recording was read."""

    def __init__(self, store: Store, boot: str, began: Moment) -> None:
        self._store = store
        self._boot = boot
        self._recording = boot == RECORDING
        self._saved: tuple[PolicyState, object] | None = None  # what of it decided, as last saved
        self._states_due_s = began.mono_s
        self._gate_due_s = began.mono_s + GATE_EVERY_S
        self._place_due_s = began.mono_s + PLACE_EVERY_S

    def save(
        self, state: State, health: bytes | None, now: Moment, *, thorough: bool, clock_set: bool
    ) -> None:
        """Called by the minute; `thorough` saves all. Raises StoreError; all is due again by the next minute.

        What no decision changed is saved every five minutes, and what the gate and the classifier learned
        here, the largest by far, more seldom still: a power cut costs an hour of the one, three of the other.

        Of a recording all is saved at once, and only while nobody is there: so a run that was killed goes on
        from a moment that it can take up whole, and repeats what it had told after it.
        """
        if self._recording:
            if not (thorough or _is_idle(state, now)):
                return
            thorough = True
        decided = _decided(state)
        if not thorough and decided == self._saved and now.mono_s < self._states_due_s:
            return
        states = {
            "policy": state.policy.to_json(now, self._boot, clock_set=clock_set).encode(),
            "last_frame": now.wall.isoformat().encode(),
        }
        if state.absences.waits:
            states[ABSENCES] = absence_saved.to_json(state.absences).encode()
        if health is not None:
            states["welfare"] = health
        if state.gate is not None and (thorough or now.mono_s >= self._gate_due_s):
            states["gate"] = gate.save(state.gate)
        if state.place is not None and (thorough or now.mono_s >= self._place_due_s):
            states |= site_model.saved(state.place)
        self._store.save_states(states)
        self._saved, self._states_due_s = decided, now.mono_s + STATES_EVERY_S
        if "gate" in states:
            self._gate_due_s = now.mono_s + GATE_EVERY_S
        if site_model.PLACE in states:
            self._place_due_s = now.mono_s + PLACE_EVERY_S
