"""Rude peers on loopback, for web and mail: what they say is bytes, so that any rudeness is possible."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from dooryard.core.records import Alert
from dooryard.sinks.base import SendResult, Sink

Talk = Callable[[socket.socket], None]
PATIENCE_S = 20.0  # past this a sink is said to hang
MOST_GROWTH_KIB = 32 * 1024
LONGEST_WORDS = 500


@contextmanager
def listening(talk: Talk) -> Iterator[int]:
    """A port of loopback on which each connection is held as `talk` likes; all are cut at the end."""
    server = socket.create_server(("127.0.0.1", 0))
    open_ones: list[socket.socket] = []

    def serve(connection: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError), connection:
            connection.settimeout(PATIENCE_S)
            talk(connection)

    def accept() -> None:
        while True:
            try:
                connection, _ = server.accept()
            except OSError:
                return  # the block has ended
            open_ones.append(connection)
            threading.Thread(target=serve, args=(connection,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield int(server.getsockname()[1])
    finally:
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)
        server.close()
        for connection in open_ones:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)


def line(connection: socket.socket) -> bytes:
    """One line of the client's, or what came before it hung up."""
    data = b""
    while not data.endswith(b"\n"):
        byte = connection.recv(1)
        if not byte:
            break
        data += byte
    return data


def endless(connection: socket.socket, piece: bytes) -> None:
    """The same again and again, until the other end has had enough; at most 4 GB."""
    for _ in range(4_000_000_000 // len(piece)):
        connection.sendall(piece)


def problem_of(sink: Sink, alert: Alert, picture: bytes | None, secrets: list[str]) -> str | None:
    """Send once; None where the sink answered in bounded time, memory and words, and kept its secrets."""
    answers: list[SendResult | BaseException] = []

    def send() -> None:
        try:
            answers.append(sink.send(alert, picture))
        except BaseException as error:  # noqa: BLE001  whatever it is, it is the finding
            answers.append(error)

    before = _peak_kib(reset=True)
    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    grown = _peak_kib() - before
    if not answers:
        return f"no answer within {PATIENCE_S:.0f} s"
    answer = answers[0]
    if isinstance(answer, BaseException):
        return f"raised {answer!r}"[:200]
    if grown > MOST_GROWTH_KIB:
        return f"memory grew by {grown // 1024} MiB"
    if len(answer.text) > LONGEST_WORDS:
        return f"{len(answer.text)} characters of words"
    if any(secret in answer.text for secret in secrets):
        return "the secret stands in its words"
    return None


def _peak_kib(*, reset: bool = False) -> int:
    """The most memory that this process has had; `reset`: since now. Source: proc_pid_clear_refs(5)."""
    if reset:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(each for each in status.splitlines() if each.startswith("VmHWM")).split()[1])
