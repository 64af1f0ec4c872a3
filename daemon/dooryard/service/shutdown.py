"""The orderly halt: what is done in which order, each step with a time that it may take.

    plan        the steps; pure
    carry_out   does them, by functions that are handed in; a step that fails or takes too long is told and
                does not keep the next from being done
    power_off   asks logind, as the service's own user (see systemd/50-dooryard.rules), never as root

Nothing may be lost by pulling the plug after it, and nothing may keep the board from going off: a camera
driver that hangs, a receiver that does not answer, a disk that is full.
"""

from __future__ import annotations

import logging
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from dooryard.core.clock import Clock
from dooryard.core.log import say

_log = logging.getLogger("dooryard.service.shutdown")


class Stage(StrEnum):
    """The steps of a halt; the value stands in the log."""

    END_VISITS = "end the visits and store them"
    STORE_STATE = "store what a restart needs"
    TELL = "store the message that it halts"
    SYNC_VISITS = "write the visits to the card"
    STOP_CAMERA = "stop the camera"
    FLUSH = "send what waits"
    CLOSE_STORE = "close the store"
    SYNC = "write everything to the card"
    POWER_OFF = "power off"


@dataclass(frozen=True, slots=True)
class ShutdownStage:
    """One stage, and how long it may take."""

    stage: Stage
    within_s: float


def plan(*, flush_s: float = 10.0, power_off: bool = True) -> tuple[ShutdownStage, ...]:
    """The steps of a halt. `flush_s` bounds the sending; without `power_off` only the program ends.

    The message is stored before anything is sent, so that it goes out now, or at the next start. The camera
    comes after all that is stored is on the card: no step depends on it, and its driver is the likeliest to
    hang.
    """
    steps = (
        ShutdownStage(Stage.END_VISITS, 10.0),
        ShutdownStage(Stage.STORE_STATE, 5.0),
        ShutdownStage(Stage.TELL, 5.0),
        ShutdownStage(Stage.SYNC_VISITS, 10.0),
        ShutdownStage(Stage.STOP_CAMERA, 8.0),
        ShutdownStage(Stage.FLUSH, flush_s),
        ShutdownStage(Stage.CLOSE_STORE, 5.0),
        ShutdownStage(Stage.SYNC, 20.0),
        ShutdownStage(Stage.POWER_OFF, 15.0),
    )
    return steps if power_off else steps[:-1]


@dataclass(frozen=True, slots=True)
class Done:
    """How one step went."""

    stage: Stage
    took_s: float
    fault: str | None = None  # None: done


@dataclass(frozen=True, slots=True)
class Halted:
    """How the halt went."""

    steps: tuple[Done, ...]

    @property
    def faults(self) -> tuple[str, ...]:
        """What did not go well, for the log and the last message: "send what waits: not done in 10 s"."""
        return tuple(f"{done.stage}: {done.fault}" for done in self.steps if done.fault)

    @property
    def powering_off(self) -> bool:
        """True when the board was asked to go off and agreed. Else the service must go on or end itself."""
        last = self.steps[-1] if self.steps else None
        return last is not None and last.stage is Stage.POWER_OFF and last.fault is None


Action = Callable[[float], str | None]
"""Does one stage. It is given the seconds it has, and returns None, or in words why it could not be done."""


def carry_out(steps: Sequence[ShutdownStage], actions: Mapping[Stage, Action], clock: Clock) -> Halted:
    """Do `steps` in order. Each action runs on a thread of its own and is left behind when its time is up.

    Raises KeyError, before anything is done, for a stage without an action.
    """
    pairs = [(step, actions[step.stage]) for step in steps]
    done = []
    for step, action in pairs:
        begun_s = clock.now().mono_s
        fault = _within(step, action)
        took_s = clock.now().mono_s - begun_s
        done.append(Done(step.stage, took_s, fault))
        level = logging.ERROR if fault else logging.INFO
        say(_log, level, "halting", step=step.stage.value, took_s=round(took_s, 2), fault=fault)
    return Halted(tuple(done))


def _within(step: ShutdownStage, action: Action) -> str | None:
    """Run `action`; its fault, or that it took too long, in words."""
    faults: list[str | None] = []

    def work() -> None:
        try:
            faults.append(action(step.within_s))
        except Exception as error:  # noqa: BLE001  (told, and the halt goes on: no fault may keep the box on)
            _log.exception("fault while halting")
            faults.append(f"{type(error).__name__}: {error}")

    thread = threading.Thread(target=work, name=f"halt: {step.stage}", daemon=True)
    thread.start()
    thread.join(step.within_s)
    return faults[0] if faults else f"not done in {step.within_s:g} s"


POWER_OFF = (
    "busctl", "--system", "--timeout=8", "call",
    "org.freedesktop.login1", "/org/freedesktop/login1", "org.freedesktop.login1.Manager",
    "PowerOff", "b", "false",
)  # fmt: skip
"""org.freedesktop.login1(5): PowerOff(interactive=false), so that nobody is asked for a password."""


def power_off(within_s: float, *, command: Sequence[str] = POWER_OFF) -> str | None:
    """Ask logind to power the board off. Returns None when it agreed, else why not and what to do."""
    try:
        ran = subprocess.run(  # noqa: S603  (a fixed command without any text from outside)
            command, capture_output=True, text=True, timeout=within_s, check=False, stdin=subprocess.DEVNULL
        )
    except subprocess.TimeoutExpired:
        return f"logind did not answer within {within_s:g} s"
    except OSError as error:
        return f"{command[0]} cannot be run: {error.strerror or error}; install systemd"
    if ran.returncode == 0:
        return None
    why = " ".join((ran.stderr or ran.stdout).split()) or f"exit status {ran.returncode}"
    if "ccess denied" in why or "uthorization" in why or "uthentication" in why:
        return f"not allowed: {why}; put systemd/50-dooryard.rules into /etc/polkit-1/rules.d"
    if "block" in why and "inhibit" in why.lower():
        return f"another program holds the board on: {why}; see: systemd-inhibit --list"
    return why
