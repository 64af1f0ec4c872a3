"""One HTTP POST, bounded in every direction.

`requests` bounds the time to connect and the pause between two bytes, but a peer that drips one byte a
second holds it for hours. So a timer shuts the socket down when the whole exchange takes too long, and
whether a connection ever stood is noted at the socket: that tells "not sent" from "maybe sent".
"""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import requests
import urllib3.connectionpool
from requests.adapters import HTTPAdapter

from dooryard.sinks.net import Limits, caused_by, in_words, shut

LONGEST_BODY_BYTES = 64 * 1024
# What nginx, Apache and Go's net/http answer, with 400, to a request that should have come by TLS, and
# nginx to one without a certificate of the client's.
_HINTS = {
    b"plain http request was sent to https port": "it wants https",
    b"speaking plain http to an ssl-enabled": "it wants https",
    b"http request to an https server": "it wants https",
    b"no required ssl certificate was sent": "it wants a certificate of the client's",
}

# At its debug level this library writes down the path of each address, which may be a receiver's secret.
logging.getLogger("urllib3.connectionpool").setLevel(logging.INFO)


@dataclass(frozen=True, slots=True)
class Reply:
    """What a receiver answered."""

    status: int
    headers: Mapping[str, str]  # any case of letters
    body_bytes: int  # how much of the body was read; it is never kept
    hint: str = ""  # in our own words, where the body says what we asked in the wrong way


@dataclass(frozen=True, slots=True)
class NoReply:
    """There was no status. `connected`: the request may have arrived."""

    connected: bool
    text: str  # in words, naming the host at most
    broke_off: bool = False  # the receiver hung up while the request was on its way, or right after


class _Watch:
    """Knows the socket of one exchange, and shuts it when told to."""

    def __init__(self, total_s: float) -> None:
        self.connected = False
        self._total_s = total_s
        self._socket: socket.socket | None = None
        self._over = False
        self._turn = threading.Lock()

    def begin(self, connection: socket.socket) -> None:
        with self._turn:
            if self._over:
                raise TimeoutError("the time for the whole exchange was used up by connecting")
            self.connected = True
            self._socket = connection
            # Sending a picture over a weak link takes longer than connecting may.
            connection.settimeout(self._total_s)

    def cut(self) -> None:
        with self._turn:
            self._over = True
            if self._socket is not None:
                shut(self._socket)


class _WatchedAdapter(HTTPAdapter):
    """Makes connections that report to a watch."""

    def __init__(self, watch: _Watch) -> None:
        self._watch = watch
        super().__init__(max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager.pool_classes_by_scheme = {
            "http": _watched_pool(urllib3.connectionpool.HTTPConnectionPool, self._watch),
            "https": _watched_pool(urllib3.connectionpool.HTTPSConnectionPool, self._watch),
        }


def _watched_pool(pool: Any, watch: _Watch) -> Any:
    class WatchedConnection(pool.ConnectionCls):  # type: ignore[misc]  # a class chosen at run time
        def connect(self) -> None:
            super().connect()  # with TLS: the handshake too
            watch.begin(self.sock)

    class WatchedPool(pool):  # type: ignore[misc]  # a class chosen at run time
        ConnectionCls = WatchedConnection

    return WatchedPool


class _OneHopSession(requests.Session):
    """Follows no redirect, and does not look at one either: a malformed Location must not raise."""

    def resolve_redirects(self, *_args: Any, **_kwargs: Any) -> Iterator[requests.Response]:
        return iter(())


def post(
    url: str,
    body: bytes | None,
    headers: Mapping[str, str | bytes],
    limits: Limits,
    ca_file: str | None,
    *,
    method: str = "POST",
) -> Reply | NoReply:
    """Send `body` once, on a connection of its own. Redirects are reported, not followed."""
    watch = _Watch(limits.total_s)
    timer = threading.Timer(limits.total_s, watch.cut)
    timer.daemon = True
    with _OneHopSession() as session:
        session.trust_env = False  # no proxy, no credentials from files this program doesn't know of
        session.mount("http://", _WatchedAdapter(watch))
        session.mount("https://", _WatchedAdapter(watch))
        timer.start()
        try:
            response = session.request(
                method,
                url,
                data=body,
                headers={**headers, "Connection": "close"},
                timeout=(limits.connect_s, limits.read_s),
                verify=ca_file or True,
                allow_redirects=False,
                stream=True,
            )
            body = _read_bounded(response)
            return Reply(response.status_code, response.headers, len(body), _hint(body))
        except (requests.RequestException, OSError) as error:
            broke_off = watch.connected and caused_by(error, (ConnectionResetError, BrokenPipeError))
            return NoReply(watch.connected, in_words(error, limits), broke_off)
        finally:
            timer.cancel()


def _hint(body: bytes) -> str:
    said = body[:4096].lower()
    return next((hint for sign, hint in _HINTS.items() if sign in said), "")


def _read_bounded(response: requests.Response) -> bytes:
    """Read up to the bound, so that a well-behaved peer is not cut off. The status stands whatever comes."""
    try:
        return bytes(response.raw.read(LONGEST_BODY_BYTES, decode_content=False))
    except (requests.RequestException, urllib3.exceptions.HTTPError, OSError):
        return b""
    finally:
        response.close()
