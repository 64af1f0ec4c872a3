"""`dooryard aim`: the service, the camera and the page, in the order in which they are taken."""

from __future__ import annotations

import contextlib
import secrets
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dooryard.aim.live import Gallery, LiveLoop
from dooryard.aim.serve import Aimed, AimServer
from dooryard.aim.service import Run, without_service
from dooryard.box.file import BoxFile
from dooryard.camera.base import Camera
from dooryard.camera.blackout import behind
from dooryard.camera.fake import FakeCamera
from dooryard.camera.supervisor import CameraSupervisor, Patience
from dooryard.core.clock import Clock
from dooryard.core.errors import EXIT_OK, ConfigError
from dooryard.gate import GateSettings
from dooryard.service import build
from dooryard.web.listen import Where, listening
from dooryard.web.stop import ASKED, stopped_by

MOST_FRAMES_PER_S = 5.0
_PLAIN = (
    "This is plain HTTP: who shares the network can see the picture and the token along with you. "
    "Use it on a network of your own, and for short."
)


@dataclass(frozen=True, slots=True)
class AimRequest:
    """What the command line says."""

    where: Where
    frames_per_s: float = 2.0
    stop_service: bool = False

    def check(self) -> None:
        """Raise ConfigError for what can't be meant."""
        self.where.check()
        if not 0 < self.frames_per_s <= MOST_FRAMES_PER_S:
            raise ConfigError(
                f"the picture can't be shown {self.frames_per_s:g} times a second",
                f"give more than 0 and at most {MOST_FRAMES_PER_S:g}",
            )


def aim(
    box: BoxFile,
    base: Path,
    asked: AimRequest,
    clock: Clock,
    run: Run,
    tell: Callable[[str], None],
    stop: threading.Event | None = None,
) -> int:
    """Show the page until the time is up, somebody ends it, or a signal comes. For the main thread.

    `base` is what the box file's paths are relative to; `tell` says what happens, the page's link first of
    all. Raises ConfigError, AlreadyRunningError while the service has the camera, CameraError, StoreError
    where nobody can listen there.
    """
    asked.check()
    stop = stop or threading.Event()
    camera = build.camera(box, base, clock)
    keeper = CameraSupervisor(camera, Patience(box.camera.stall_after_s))
    numbers = (*ASKED, signal.SIGHUP)  # SIGHUP: the line to who started it is broken
    with contextlib.ExitStack() as stack:
        stack.enter_context(stopped_by(stop, numbers))
        if is_shared(camera):
            folder = base / box.state_folder
            stack.enter_context(without_service(folder, run, tell, stop_it=asked.stop_service))
        stack.enter_context(contextlib.closing(keeper))
        until_s = clock.now().mono_s + asked.where.limit_s
        aimed = aimed_at(box, clock, stop, until_s)
        token = secrets.token_urlsafe(24)
        server = listening(asked.where, lambda address: AimServer(address, aimed, token))
        _server, link = stack.enter_context(server)
        tell(f"for {asked.where.limit_s / 60:g} min, or until Ctrl-C:  {link}\n{_PLAIN}")
        rules = GateSettings(smallest=box.gate.smallest, ignore=box.gate.ignore)
        LiveLoop(keeper, rules, aimed.gallery, clock, asked.frames_per_s).run(stop, until_s)
    return EXIT_OK


def is_shared(camera: Camera) -> bool:
    """Whether only one program at a time can have it: a device, no recording and no fake."""
    return camera.live and not isinstance(behind(camera), FakeCamera)


def aimed_at(box: BoxFile, clock: Clock, stop: threading.Event, until_s: float) -> Aimed:
    """What the page knows of `box`."""
    gallery, rules, camera = Gallery(clock), box.gate, box.camera
    return Aimed(
        box.name, gallery, clock, until_s, stop, rules.smallest, rules.ignore, camera.blackout, camera.shows
    )  # fmt: skip
