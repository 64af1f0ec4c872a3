"""A page on the local network: on one named address, for a limited time, and only for who has the token.

Built on `http.server`, which its documentation advises against for the open internet: so it listens if asked
to, and for short. It speaks plain HTTP: who listens in on the network reads along.
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
import math
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar, TypeVar
from urllib.parse import SplitResult, parse_qs, urlsplit

from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.log import say

_log = logging.getLogger("dooryard")
_ENTER = "/enter/"  # before the token: a path, as queries are what caches, logs and other pages keep
_MOST_FORM_BYTES = 4096
_MOST_PORT = 65535
_LONGEST_S = 24 * 3600
_HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}
_NO_SOURCES = "default-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"


def _is_everywhere(address: str) -> bool:
    """Whether it means all addresses of this machine, in whatever way it is written: "", "0", "0x0", "::"."""
    if address in ("", "*"):
        return True
    try:
        found = {str(info[4][0]) for info in socket.getaddrinfo(address, None)}
    except (OSError, UnicodeError):
        return False  # `listening` says that it can't be listened on
    ips = [ipaddress.ip_address(each.split("%")[0]) for each in found]
    mapped = [ip.ipv4_mapped for ip in ips if isinstance(ip, ipaddress.IPv6Address)]
    return any(ip is not None and ip.is_unspecified for ip in (*ips, *mapped))


@dataclass(frozen=True, slots=True)
class Where:
    """Where to listen, for how long, and what is shown there."""

    address: str
    port: int  # 0 takes a free one
    limit_s: float
    what: str = "the journal"

    def check(self) -> None:
        """Raise ConfigError for what can't be meant."""
        if _is_everywhere(self.address):
            raise ConfigError(
                f"{self.what} is not served on all addresses at once",
                "name one of this machine's own addresses, such as 192.168.1.20 or 127.0.0.1",
            )
        if not 0 <= self.port <= _MOST_PORT:
            raise ConfigError(
                f"there is no port {self.port}",
                f"name a free port from 1024 to {_MOST_PORT}, or 0 for any that is free",
            )
        if not (math.isfinite(self.limit_s) and 0 < self.limit_s <= _LONGEST_S):
            raise ConfigError(
                f"{self.what} can't be shown for {self.limit_s / 60:g} minutes",
                f"give more than 0 and at most {_LONGEST_S // 60} minutes (a day)",
            )


class PageServer(ThreadingHTTPServer):
    """Serves `handler`'s pages to who has `token`."""

    daemon_threads = True

    def __init__(self, address: tuple[str, int], handler: type[PageHandler], token: str) -> None:
        self.token = token
        self.what = handler.what
        super().__init__(address, handler)

    def handle_error(self, request: object, client_address: object) -> None:
        """A peer that went away, or a fault in a handler: one line in the log, no traceback."""
        del request, client_address
        say(_log, logging.WARNING, f"{self.what}: a request failed", why=repr(sys.exc_info()[1]))


_Made = TypeVar("_Made", bound=PageServer)


@contextmanager
def listening(where: Where, make: Callable[[tuple[str, int]], _Made]) -> Iterator[tuple[_Made, str]]:
    """While inside, the server that `make` makes answers; gives it and the page's link, token included.

    `where` is to be checked before. Raises StoreError when the address can't be listened on.
    """
    try:
        server = make((where.address, where.port))
    except (OSError, UnicodeError) as error:  # UnicodeError: a name that no host can have
        why = getattr(error, "strerror", None) or error
        raise StoreError(
            f"cannot listen on {where.address}, port {where.port}: {why}",
            "name an address of this machine and a free port above 1023",
        ) from error
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        yield server, f"http://{where.address}:{server.server_port}{_ENTER}{server.token}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join(10)


class PageHandler(BaseHTTPRequestHandler):
    """One request. Who brings no token gets nothing but a refusal."""

    server: PageServer
    timeout = 15.0  # seconds that a slow or silent peer may hold a thread
    server_version = "Dooryard"
    sys_version = ""
    what: ClassVar[str]  # is shown: "journal"
    cookie: ClassVar[str]  # its name; cookies do not tell ports apart, so each page has its own
    sources: ClassVar[str]  # of the Content-Security-Policy: what the page may load

    def do_GET(self) -> None:
        address = urlsplit(self.path)
        if address.path.startswith(_ENTER):
            self._enter(address.path.removeprefix(_ENTER))
        elif not self._known():
            self._refuse_stranger()
        else:
            self.show(address)

    do_HEAD = do_GET  # noqa: N815  (the base class looks for this name)

    def do_POST(self) -> None:
        size = self.headers.get("Content-Length", "")
        if not (size.isascii() and size.isdigit()) or int(size) > _MOST_FORM_BYTES:
            self.refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "That is no form of this page.")
            return
        values = parse_qs(self.rfile.read(int(size)).decode("utf-8", "replace"))
        form = {name: texts[0] for name, texts in values.items()}
        if not self._known() or not self._is_token(form.get("token", "")):
            self._refuse_stranger()
        else:
            self.take(urlsplit(self.path).path, form)

    def show(self, address: SplitResult) -> None:
        """Answer a GET or HEAD of somebody who has the token."""
        raise NotImplementedError

    def take(self, path: str, form: Mapping[str, str]) -> None:
        """Answer a form of somebody who has the token, and a page that has it."""
        raise NotImplementedError

    def refuse(self, status: HTTPStatus, text: str) -> None:
        self.answer(status, f"{text}\n".encode(), {"Content-Type": "text/plain; charset=utf-8"})

    def answer(self, status: HTTPStatus, body: bytes, headers: Mapping[str, str]) -> None:
        common = {"Content-Security-Policy": f"{_NO_SOURCES}; {self.sources}", **_HEADERS}
        self.send_response(status)
        for name, value in {**common, **headers, "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def _enter(self, given: str) -> None:
        """Trade the token in the address for a cookie, so that it doesn't stay in the address."""
        if not self._is_token(given):
            self.refuse(HTTPStatus.FORBIDDEN, f"That is not this {self.what}'s token.")
            return
        cookie = f"{self.cookie}={given}; Path=/; HttpOnly; SameSite=Strict"
        self.answer(HTTPStatus.SEE_OTHER, b"", {"Location": "/", "Set-Cookie": cookie})

    def _known(self) -> bool:
        try:
            cookie = SimpleCookie(self.headers.get("Cookie", "")).get(self.cookie)
        except CookieError:
            return False
        return cookie is not None and self._is_token(cookie.value)

    def _is_token(self, given: str) -> bool:
        """Compared in constant time: how long it takes tells nothing of the token."""
        return hmac.compare_digest(given.encode(), self.server.token.encode())

    def _refuse_stranger(self) -> None:
        self.refuse(HTTPStatus.FORBIDDEN, f"Open the {self.what} by the link that was shown at its start.")

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  (the base class's name)
        """Say nothing: addresses may hold the token."""
