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
class House:
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


def journal(house: House, folder: Path | None = None) -> int:
    """`dooryard journal`: bring the pages up to date and say what was done."""
    target = folder or house.state_folder / SITE
    done = build(
        house.state_folder,
        target,
        house.policy,
        house.clock.now().wall,
        box=house.box,
        base_url=house.base_url,
        position=house.position,
    )
    made = f"{many(len(done.pages), 'page')} and {many(done.pictures, 'picture')} made"
    print(f"{many(done.visits, 'visit')}; {made}, {len(done.removed)} removed", file=house.out)
    for picture in sorted(done.unreadable):
        print(f"  cannot be opened and is left out: {picture}", file=house.out)
    print(f"journal: {target / 'index.html'}", file=house.out)
    return EXIT_OK


def mark(house: House, visit: str, what: str, group_of: Mapping[str, str]) -> int:
    """`dooryard mark VISIT nobody|NAME|keep|hide|undo`."""
    now, zone = house.clock.now().wall, house.policy.place.zone
    done = marks.make(house.state_folder, visit, what, now, group_of=group_of, zone=zone)
    print(f"visit {done.visit} {done.text}", file=house.out)
    return EXIT_OK


def mute(house: House, until: str | None, *, over: bool) -> int:
    """`dooryard mute [--until WHEN | --end]`."""
    now = house.clock.now().wall
    if until is not None:
        text = muting.mute(house.state_folder, until, house.policy, now)
        print(
            f"{text}: only what is urgent is sent; a running box hears of it within a minute", file=house.out
        )
    elif over:
        held = muting.end(house.state_folder, now)
        text = "the mute is ended; a running box hears of it within a minute" if held else "it was not muted"
        print(text, file=house.out)
    else:
        with contextlib.closing(AnnotationDatabase(house.state_folder)) as notebook:
            text, _ = muting.holds(notebook, house.policy, now)
        print(text or "not muted", file=house.out)
    return EXIT_OK


def export(
    house: House,
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
        done = export_visits(house.state_folder, target, house.policy, period=period)
        print(f"{many(done.visits, 'visit')} in {target}", file=house.out)
        return EXIT_OK
    by, now = By(house.box, model, owner or house.policy.place.name), house.clock.now().wall
    done = export_camtrap(house.state_folder, target, house.policy, now, by, decimals=decimals, period=period)
    counted = (
        many(done.visits, "visit"),
        many(done.pictures, "picture"),
        many(done.deployments, "deployment"),
    )
    print(f"{', '.join(counted)} in {target}", file=house.out)
    if done.undated:
        print(f"left out, as their time is not known: {many(done.undated, 'visit')}", file=house.out)
    return EXIT_OK


def check_look(address: str, port: int, minutes: float) -> None:
    """Raise ConfigError for an address, a port or a time for which `look` can't serve."""
    Where(address, port, minutes * 60).check()


def look(
    house: House,
    address: str,
    port: int,
    minutes: float,
    group_of: Mapping[str, str],
    folder: Path | None = None,
) -> int:
    """`dooryard journal --serve ADDRESS`: until the time is up, SIGINT or SIGTERM."""
    stop = threading.Event()
    served = serve.Served(
        house.state_folder,
        folder or house.state_folder / SITE,
        house.policy,
        secrets.token_urlsafe(24),
        house.clock,
        house.box,
        group_of,
        base_url=house.base_url,
        position=house.position,
    )

    def ready(link: str) -> None:
        print(f"for {minutes:g} min, or until Ctrl-C:  {link}", file=house.out, flush=True)

    with stopped_by(stop):
        serve.serve(served, Where(address, port, minutes * 60), stop, ready)
    return EXIT_OK
