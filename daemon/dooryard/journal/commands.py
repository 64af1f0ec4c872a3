"""What the command line calls: plain functions that print what they did and return an exit code. Edge."""

from __future__ import annotations

import contextlib
import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TextIO

from dooryard.core.clock import Clock
from dooryard.core.errors import EXIT_OK
from dooryard.history import annotations as marks
from dooryard.history.database import AnnotationDatabase
from dooryard.journal import muting, serve
from dooryard.journal.build import build
from dooryard.journal.export import By, Period, export_camtrap, export_visits
from dooryard.journal.paths import SITE
from dooryard.journal.phrases import many
from dooryard.policy.schema import Policy
from dooryard.web.listen import Where
from dooryard.web.stop import stopped_by


@dataclass(frozen=True, slots=True)
class JournalContext:
    """What all of these commands work on."""

    state_folder: Path
    policy: Policy
    clock: Clock
    out: TextIO
    box: str = "dooryard"
    base_url: str | None = None  # where the pages will stand
    with_position: bool = False  # write the place into the pictures

    @property
    def position(self) -> tuple[float, float] | None:
        place = self.policy.place
        if not self.with_position or place.latitude is None or place.longitude is None:
            return None
        return place.latitude, place.longitude


def journal(context: JournalContext, folder: Path | None = None) -> int:
    """`dooryard journal`: bring the pages up to date and say what was done."""
    target = folder or context.state_folder / SITE
    done = build(
        context.state_folder,
        target,
        context.policy,
        context.clock.now().wall,
        box=context.box,
        base_url=context.base_url,
        position=context.position,
    )
    made = f"{many(len(done.pages), 'page')} and {many(done.pictures, 'picture')} made"
    print(f"{many(done.visits, 'visit')}; {made}, {len(done.removed)} removed", file=context.out)
    for picture in sorted(done.unreadable):
        print(f"  cannot be opened and is left out: {picture}", file=context.out)
    print(f"journal: {target / 'index.html'}", file=context.out)
    return EXIT_OK


def mark(context: JournalContext, visit: str, what: str, group_of: Mapping[str, str]) -> int:
    """`dooryard mark VISIT nobody|NAME|keep|hide|undo`."""
    now, zone = context.clock.now().wall, context.policy.place.zone
    done = marks.make(context.state_folder, visit, what, now, group_of=group_of, zone=zone)
    print(f"visit {done.visit} {done.text}", file=context.out)
    return EXIT_OK


def mute(context: JournalContext, until: str | None, *, over: bool) -> int:
    """`dooryard mute [--until WHEN | --end]`."""
    now = context.clock.now().wall
    if until is not None:
        text = muting.mute(context.state_folder, until, context.policy, now)
        print(
            f"{text}: only urgent alerts are sent; a running box picks it up within a minute",
            file=context.out,
        )
    elif over:
        held = muting.end(context.state_folder, now)
        text = "the mute has ended; a running box picks it up within a minute" if held else "it was not muted"
        print(text, file=context.out)
    else:
        with contextlib.closing(AnnotationDatabase(context.state_folder)) as database:
            text, _ = muting.holds(database, context.policy, now)
        print(text or "not muted", file=context.out)
    return EXIT_OK


def export(
    context: JournalContext,
    target: Path,
    *,
    model: str,
    owner: str | None = None,
    decimals: int = 2,
    first: date | None = None,
    last: date | None = None,
) -> int:
    """`dooryard export`: a plain table if `target` ends in .csv, else a Camtrap DP package in that folder.

    `first` and `last` are local dates, both included; an end that is not given is open.
    """
    period = Period(first, last)
    if target.suffix.lower() == ".csv":
        done = export_visits(context.state_folder, target, context.policy, period=period)
        print(f"{many(done.visits, 'visit')} in {target}", file=context.out)
        return EXIT_OK
    by, now = By(context.box, model, owner or context.policy.place.name), context.clock.now().wall
    done = export_camtrap(
        context.state_folder, target, context.policy, now, by, decimals=decimals, period=period
    )
    counted = (
        many(done.visits, "visit"),
        many(done.pictures, "picture"),
        many(done.deployments, "deployment"),
    )
    print(f"{', '.join(counted)} in {target}", file=context.out)
    if done.undated:
        print(f"left out, as their time is not known: {many(done.undated, 'visit')}", file=context.out)
    return EXIT_OK


def check_look(address: str, port: int, minutes: float) -> None:
    """Raise ConfigError for an address, a port or a time for which `look` can't serve."""
    Where(address, port, minutes * 60).check()


def look(
    context: JournalContext,
    address: str,
    port: int,
    minutes: float,
    group_of: Mapping[str, str],
    folder: Path | None = None,
) -> int:
    """`dooryard journal --serve ADDRESS`: until the time is up, SIGINT or SIGTERM."""
    stop = threading.Event()
    served = serve.Served(
        context.state_folder,
        folder or context.state_folder / SITE,
        context.policy,
        secrets.token_urlsafe(24),
        context.clock,
        context.box,
        group_of,
        base_url=context.base_url,
        position=context.position,
    )

    def ready(link: str) -> None:
        print(f"for {minutes:g} min, or until Ctrl-C:  {link}", file=context.out, flush=True)

    with stopped_by(stop):
        serve.serve(served, Where(address, port, minutes * 60), stop, ready)
    return EXIT_OK
