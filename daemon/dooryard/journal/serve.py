"""A look at the journal on the local network, with marks: short, named, and only for who has the token.

See `web.listen` for what that withstands.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from urllib.parse import SplitResult

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import Clock
from dooryard.core.errors import AlreadyRunningError, DooryardError
from dooryard.core.log import say
from dooryard.history import annotations as marks
from dooryard.journal import forms, muting, page_source, paths, render
from dooryard.journal.build import build, site_of
from dooryard.journal.files import SiteFolder
from dooryard.journal.writing import day_html, index_html
from dooryard.policy.schema import Policy
from dooryard.web.listen import PageHandler, PageServer, Where, listening

_log = logging.getLogger("dooryard")
_KINDS = {"html": "text/html; charset=utf-8", "css": "text/css; charset=utf-8", "jpg": "image/jpeg",
          "xml": "application/atom+xml; charset=utf-8"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Served:
    """What is served, from where, and to whom."""

    state_folder: Path
    out_folder: Path
    policy: Policy
    token: str
    clock: Clock
    box: str = "the box"
    group_of: Mapping[str, str] = field(default_factory=dict)
    base_url: str | None = None  # as the pages are built for, so that looking at them changes none
    position: tuple[float, float] | None = None
    turn: threading.Lock = field(default_factory=threading.Lock)  # one build at a time

    @property
    def shared(self) -> render.PageContext:
        return site_of(self.policy, self.box, self.base_url)

    def rebuild(self) -> None:
        """Bring the pages up to date; where another process does so at this moment, leave it to that."""
        with self.turn:
            now = self.clock.now().wall
            try:
                build(
                    self.state_folder, self.out_folder, self.policy, now,
                    box=self.box, base_url=self.base_url, position=self.position,
                )  # fmt: skip
            except AlreadyRunningError as error:
                say(_log, logging.INFO, "journal", note=error.what)


def serve(served: Served, where: Where, stop: threading.Event, ready: Callable[[str], None]) -> None:
    """Build the journal, then serve it until `stop` is set or the time is up.

    `ready` is called with the page's address, token included. Raises ConfigError, before anything is built,
    for a place or a time that can't be meant, StoreError when the address can't be listened on.
    """
    where.check()
    served.rebuild()
    with listening(where, lambda address: _Server(address, served)) as (_server, link):
        ready(link)
        served.clock.wait(stop, where.limit_s)


class _Server(PageServer):
    def __init__(self, address: tuple[str, int], served: Served) -> None:
        self.served = served
        super().__init__(address, _Handler, served.token)


class _Handler(PageHandler):
    server: _Server
    what = "journal"
    cookie = "dooryard"
    sources = "img-src 'self' data:; style-src 'self'"

    def show(self, address: SplitResult) -> None:
        self._page(address.path.removeprefix("/") or paths.INDEX)

    def take(self, path: str, form: Mapping[str, str]) -> None:
        asked = forms.read(form)
        if path == "/mark":
            self._mark(asked)
        elif path == "/mute":
            self._mute(asked)
        else:
            self.refuse(HTTPStatus.NOT_FOUND, "There is no such page.")

    def _mark(self, asked: forms.Asked) -> None:
        served = self.server.served
        now = served.clock.now().wall
        try:
            made = marks.make(
                served.state_folder, asked.visit, asked.what, now,
                group_of=served.group_of, zone=served.policy.place.zone,
            )  # fmt: skip
            served.rebuild()
        except DooryardError as error:
            self.refuse(HTTPStatus.BAD_REQUEST, f"{error.what}. {error.remedy}.")
            return
        say(_log, logging.INFO, "mark", visit=made.visit, text=made.text)
        self.answer(HTTPStatus.SEE_OTHER, b"", {"Location": f"/{asked.back}"})

    def _mute(self, asked: forms.Asked) -> None:
        served = self.server.served
        now = served.clock.now().wall
        try:
            if asked.until == forms.MUTE_END:
                muting.end(served.state_folder, now)
                text = "ended"
            else:
                text = muting.mute(served.state_folder, asked.until, served.policy, now)
        except DooryardError as error:
            self.refuse(HTTPStatus.BAD_REQUEST, f"{error.what}. {error.remedy}.")
            return
        say(_log, logging.INFO, "mute", text=text)
        self.answer(HTTPStatus.SEE_OTHER, b"", {"Location": f"/{asked.back}"})

    def _page(self, path: str) -> None:
        try:
            if path.endswith(".html"):
                self.server.served.rebuild()
            body = self._live(path) or _file(self.server.served.out_folder, path)
        except DooryardError as error:
            self.refuse(HTTPStatus.SERVICE_UNAVAILABLE, f"{error.what}. {error.remedy}.")
            return
        if body is None:
            self.refuse(HTTPStatus.NOT_FOUND, "There is no such page.")
            return
        self.answer(HTTPStatus.OK, body, {"Content-Type": _KINDS[path.rsplit(".", 1)[-1]]})

    def _live(self, path: str) -> bytes | None:
        """A page with forms on it, made as it is asked for; None for all others."""
        served, now = self.server.served, self.server.served.clock.now().wall
        if path not in (forms.MARKS, paths.INDEX) and not path.startswith("day/"):
            return None
        with page_source.opened(served.state_folder, served.policy, now, served.shared) as source:
            hush, muted = muting.holds(source.database, served.policy, now)
            token = render.Forms(served.token, hush, muted)
            if path == forms.MARKS:
                return forms.marks_html(source, token)
            source.reader.passing_over(SiteFolder(served.out_folder, FileCalls()).load().unreadable)
            source.look()
            if path == paths.INDEX:
                return index_html(source, token)
            days = [day for day in source.survey.days if paths.day_page(day) == path]
            return day_html(source, days[0], token) if days else None


def _file(folder: Path, path: str) -> bytes | None:
    """A file of the journal; None for anything else, wherever `path` tries to lead."""
    parts = path.split("/")
    if any(not part or part.startswith(".") for part in parts) or path.rsplit(".", 1)[-1] not in _KINDS:
        return None
    try:
        target = (folder / path).resolve(strict=True)
        return target.read_bytes() if target.is_relative_to(folder.resolve()) else None
    except (OSError, ValueError):
        return None
