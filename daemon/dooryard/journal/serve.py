"""A look at the journal on the local network, with marks: short, named, and only for who has the token.

Built on `http.server`, which its documentation advises against for the open internet: so it listens if asked
to, on one named address, for a limited time. It speaks plain HTTP: who listens in on the network reads along.
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
import math
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from dooryard.core.atomic_files import FileCalls
from dooryard.core.clock import Clock
from dooryard.core.errors import AlreadyRunningError, ConfigError, DooryardError, StoreError
from dooryard.core.log import say
from dooryard.history import annotations as marks
from dooryard.journal import forms, muting, page_source, paths, render
from dooryard.journal.build import build, site_of
from dooryard.journal.files import SiteFolder
from dooryard.journal.writing import day_html, index_html
from dooryard.policy.schema import Policy

_log = logging.getLogger("dooryard")
_COOKIE = "dooryard"
_ENTER = "/enter/"  # before the token: a path, as queries are what caches, logs and other pages keep
_MOST_FORM_BYTES = 4096
_MOST_PORT = 65535
_LONGEST_S = 24 * 3600
_KINDS = {"html": "text/html; charset=utf-8", "css": "text/css; charset=utf-8", "jpg": "image/jpeg",
          "xml": "application/atom+xml; charset=utf-8"}  # fmt: skip
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; img-src 'self' data:; style-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "Cache-Control": "no-store",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}


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


def _is_everywhere(address: str) -> bool:
    """Whether it means all addresses of this machine, in whatever way it is written: "", "0", "0x0", "::"."""
    if address in ("", "*"):
        return True
    try:
        found = {str(info[4][0]) for info in socket.getaddrinfo(address, None)}
    except (OSError, UnicodeError):
        return False  # `serve` says that it can't be listened on
    ips = [ipaddress.ip_address(each.split("%")[0]) for each in found]
    mapped = [ip.ipv4_mapped for ip in ips if isinstance(ip, ipaddress.IPv6Address)]
    return any(ip is not None and ip.is_unspecified for ip in (*ips, *mapped))


@dataclass(frozen=True, slots=True)
class Where:
    """Where to listen, and for how long."""

    address: str
    port: int  # 0 takes a free one
    limit_s: float

    def check(self) -> None:
        """Raise ConfigError for what can't be meant."""
        if _is_everywhere(self.address):
            raise ConfigError(
                "the journal is not served on all addresses at once",
                "name one of this machine's own addresses, such as 192.168.1.20 or 127.0.0.1",
            )
        if not 0 <= self.port <= _MOST_PORT:
            raise ConfigError(
                f"there is no port {self.port}",
                f"name a free port from 1024 to {_MOST_PORT}, or 0 for any that is free",
            )
        if not (math.isfinite(self.limit_s) and 0 < self.limit_s <= _LONGEST_S):
            raise ConfigError(
                f"the journal can't be shown for {self.limit_s / 60:g} minutes",
                f"give more than 0 and at most {_LONGEST_S // 60} minutes (a day)",
            )


def serve(served: Served, where: Where, stop: threading.Event, ready: Callable[[str], None]) -> None:
    """Build the journal, then serve it until `stop` is set or the time is up.

    `ready` is called with the page's address, token included. Raises ConfigError, before anything is built,
    for a place or a time that can't be meant, StoreError when the address can't be listened on.
    """
    where.check()
    served.rebuild()
    try:
        server = _Server((where.address, where.port), served)
    except (OSError, UnicodeError) as error:  # UnicodeError: a name that no host can have
        why = getattr(error, "strerror", None) or error
        raise StoreError(
            f"cannot listen on {where.address}, port {where.port}: {why}",
            "name an address of this machine and a free port above 1023",
        ) from error
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        ready(f"http://{where.address}:{server.server_port}{_ENTER}{served.token}")
        served.clock.wait(stop, where.limit_s)
    finally:
        server.shutdown()
        server.server_close()
        thread.join(10)


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, address: tuple[str, int], served: Served) -> None:
        self.served = served
        super().__init__(address, _Handler)

    def handle_error(self, request: object, client_address: object) -> None:
        """A peer that went away, or a fault in a handler: one line in the log, no traceback."""
        del request, client_address
        say(_log, logging.WARNING, "journal: a request failed", why=repr(sys.exc_info()[1]))


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = 15.0  # seconds that a slow or silent peer may hold a thread
    server_version = "Dooryard"
    sys_version = ""

    def do_GET(self) -> None:
        address = urlsplit(self.path)
        if address.path.startswith(_ENTER):
            self._enter(address.path.removeprefix(_ENTER))
        elif not self._known():
            self._refuse(HTTPStatus.FORBIDDEN, "Open the journal by the link that was shown at its start.")
        else:
            self._page(address.path.removeprefix("/") or paths.INDEX)

    do_HEAD = do_GET  # noqa: N815  (the base class looks for this name)

    def do_POST(self) -> None:
        served = self.server.served
        size = self.headers.get("Content-Length", "")
        if not (size.isascii() and size.isdigit()) or int(size) > _MOST_FORM_BYTES:
            self._refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "That is not a valid mark.")
            return
        values = parse_qs(self.rfile.read(int(size)).decode("utf-8", "replace"))
        asked = forms.read({name: texts[0] for name, texts in values.items()})
        if not self._known() or not hmac.compare_digest(asked.token.encode(), served.token.encode()):
            self._refuse(HTTPStatus.FORBIDDEN, "Open the journal by the link that was shown at its start.")
        elif (path := urlsplit(self.path).path) == "/mark":
            self._mark(asked)
        elif path == "/mute":
            self._mute(asked)
        else:
            self._refuse(HTTPStatus.NOT_FOUND, "There is no such page.")

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
            self._refuse(HTTPStatus.BAD_REQUEST, f"{error.what}. {error.remedy}.")
            return
        say(_log, logging.INFO, "mark", visit=made.visit, text=made.text)
        self._answer(HTTPStatus.SEE_OTHER, b"", {"Location": f"/{asked.back}"})

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
            self._refuse(HTTPStatus.BAD_REQUEST, f"{error.what}. {error.remedy}.")
            return
        say(_log, logging.INFO, "mute", text=text)
        self._answer(HTTPStatus.SEE_OTHER, b"", {"Location": f"/{asked.back}"})

    def _enter(self, given: str) -> None:
        """Trade the token in the address for a cookie, so that it doesn't stay in the address."""
        if not hmac.compare_digest(given.encode(), self.server.served.token.encode()):
            self._refuse(HTTPStatus.FORBIDDEN, "That is not this journal's token.")
            return
        cookie = f"{_COOKIE}={given}; Path=/; HttpOnly; SameSite=Strict"
        self._answer(HTTPStatus.SEE_OTHER, b"", {"Location": "/", "Set-Cookie": cookie})

    def _known(self) -> bool:
        try:
            cookie = SimpleCookie(self.headers.get("Cookie", "")).get(_COOKIE)
        except CookieError:
            return False
        return cookie is not None and hmac.compare_digest(
            cookie.value.encode(), self.server.served.token.encode()
        )

    def _page(self, path: str) -> None:
        try:
            if path.endswith(".html"):
                self.server.served.rebuild()
            body = self._live(path) or _file(self.server.served.out_folder, path)
        except DooryardError as error:
            self._refuse(HTTPStatus.SERVICE_UNAVAILABLE, f"{error.what}. {error.remedy}.")
            return
        if body is None:
            self._refuse(HTTPStatus.NOT_FOUND, "There is no such page.")
            return
        self._answer(HTTPStatus.OK, body, {"Content-Type": _KINDS[path.rsplit(".", 1)[-1]]})

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

    def _refuse(self, status: HTTPStatus, text: str) -> None:
        self._answer(status, f"{text}\n".encode(), {"Content-Type": "text/plain; charset=utf-8"})

    def _answer(self, status: HTTPStatus, body: bytes, headers: Mapping[str, str]) -> None:
        self.send_response(status)
        for name, value in {**_HEADERS, **headers, "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  (the base class's name)
        """Say nothing: addresses may hold the token."""


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
