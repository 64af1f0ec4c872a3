"""A real HTTP peer on loopback that misbehaves on cue: plain sockets, so that any rudeness is possible."""

from __future__ import annotations

import contextlib
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes
from types import TracebackType
from typing import Self

PATIENCE_S = 10.0  # a peer that waits for the end of a test gives up then


@dataclass(frozen=True)
class Request:
    line: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Exchange:
    """One connection, as a behaviour sees it."""

    connection: socket.socket
    ended: threading.Event  # the test is over
    requests: list[Request] = field(default_factory=list)

    def read(self) -> Request:
        data = b""
        while b"\r\n\r\n" not in data:
            data += self._some()
        head, _, body = data.partition(b"\r\n\r\n")
        line, _, rest = head.partition(b"\r\n")
        headers = {name.lower(): value for name, value in message_from_bytes(rest + b"\r\n\r\n").raw_items()}
        while len(body) < int(headers.get("content-length", 0)):
            body += self._some()
        request = Request(line.decode(), headers, body)
        self.requests.append(request)
        return request

    def say(self, text: str) -> None:
        self.connection.sendall(text.encode())

    def reset(self) -> None:
        """Close with a TCP reset instead of a goodbye."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()

    def hang(self) -> None:
        self.ended.wait(PATIENCE_S)

    def drip(self) -> None:
        """A byte now and then, until the test is over or patience is."""
        for _ in range(int(PATIENCE_S / 0.02)):
            if self.ended.wait(0.02):
                return
            self.say("x")

    def _some(self) -> bytes:
        data = self.connection.recv(65536)
        if not data:
            raise ConnectionError("the client went away")
        return data


Behaviour = Callable[[Exchange], None]


def answers(status: str, *headers: str, body: str = "") -> Behaviour:
    """Read the request and answer it."""

    def behave(exchange: Exchange) -> None:
        exchange.read()
        lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", "Connection: close", *headers]
        exchange.say("\r\n".join(lines) + "\r\n\r\n" + body)

    return behave


def hangs_before_reading(exchange: Exchange) -> None:
    exchange.hang()


def hangs_after_reading(exchange: Exchange) -> None:
    exchange.read()
    exchange.hang()


def resets_after_reading(exchange: Exchange) -> None:
    exchange.read()
    exchange.reset()


def closes_without_a_word(exchange: Exchange) -> None:
    exchange.read()


def resets_within_the_body(exchange: Exchange) -> None:
    exchange.read()
    exchange.say("HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\nonly this")
    exchange.reset()


def sends_an_endless_body(exchange: Exchange) -> None:
    exchange.read()
    exchange.say("HTTP/1.1 200 OK\r\n\r\n")
    while not exchange.ended.is_set():
        exchange.connection.sendall(b"garbage " * 1024)


def drips_headers(exchange: Exchange) -> None:
    """One byte now and then: each pause is short, the whole never ends."""
    exchange.read()
    exchange.say("HTTP/1.1 200 OK\r\nX-Slow: ")
    exchange.drip()


def speaks_another_language(exchange: Exchange) -> None:
    exchange.read()
    exchange.say("220 mail.alder-row.example ready\r\n")


class Peer:
    """Listens while the `with` block lasts.

    Each connection follows the next behaviour of the script; those after its end follow the last.
    """

    def __init__(self, *script: Behaviour, tls: ssl.SSLContext | None = None) -> None:
        self.requests: list[Request] = []
        self._script = script
        self._tls = tls
        self._ended = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept, daemon=True)]

    @property
    def url(self) -> str:
        return f"http{'s' if self._tls else ''}://127.0.0.1:{self.port}/hooks/token-of-the-path"

    def __enter__(self) -> Self:
        self._threads[0].start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: TracebackType | None) -> None:
        self._ended.set()
        # Wakes the listener's thread: closing alone would leave it in accept().
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(PATIENCE_S)

    def _accept(self) -> None:
        for behaviour in self._behaviours():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return  # the block has ended
            thread = threading.Thread(target=self._serve, args=(connection, behaviour), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _behaviours(self) -> Iterator[Behaviour]:
        yield from self._script
        while True:
            yield self._script[-1]

    def _serve(self, connection: socket.socket, behaviour: Behaviour) -> None:
        # What the client does to the peer is not what the tests are about.
        with contextlib.suppress(OSError):
            if self._tls is not None:
                connection = self._tls.wrap_socket(connection, server_side=True)
            connection.settimeout(PATIENCE_S)
            behaviour(Exchange(connection, self._ended, self.requests))
        connection.close()


def unused_port() -> int:
    """A port of loopback on which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])
