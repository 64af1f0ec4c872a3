"""What the network sinks share: their limits, cutting a connection short, and failures in words."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass

import requests


class PeerError(Exception):
    """A peer that breaks its protocol; the text says how, in our own words."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Seconds. None of them bounds the name lookup: the system's resolver has its own (man resolv.conf)."""

    connect_s: float = 5.0
    read_s: float = 15.0  # the longest silence while waiting for an answer
    total_s: float = 60.0  # the whole exchange


def shut(connection: socket.socket) -> None:
    """End a connection from another thread, so that whoever waits on it wakes up with an error."""
    try:
        # The plain socket's way: a TLS socket would try to say goodbye to a peer that hangs.
        socket.socket.shutdown(connection, socket.SHUT_RDWR)
    except OSError:
        return  # the peer was quicker: it is closed already


def in_words(error: BaseException, limits: Limits) -> str:
    """What went wrong, without addresses or headers: those may hold secrets."""
    chain = list(_causes(error))
    for cause in chain:
        words = _known(cause, limits)
        if words:
            return words
    return f"the peer broke off ({type(chain[-1]).__name__})"


def caused_by(error: BaseException, kinds: tuple[type[BaseException], ...]) -> bool:
    """Whether something of these kinds is at the bottom of `error`."""
    return any(isinstance(cause, kinds) for cause in _causes(error))


def _known(cause: BaseException, limits: Limits) -> str | None:
    if isinstance(cause, PeerError):
        return str(cause)
    if isinstance(cause, ssl.SSLCertVerificationError):
        return f"the certificate was not accepted: {cause.verify_message}"
    if isinstance(cause, ssl.SSLError):
        return f"TLS failed: {cause.reason or 'the peer broke off'}"
    simple: tuple[tuple[type[BaseException], str], ...] = (
        (socket.gaierror, "the name was not found"),
        (ConnectionRefusedError, "the connection was refused"),
        (requests.ConnectTimeout, f"no connection within {limits.connect_s:g} s"),
        (requests.ReadTimeout, f"connected, but no answer within {limits.read_s:g} s"),
        (TimeoutError, "no answer in time"),
        (ConnectionResetError, "the peer reset the connection"),
    )
    for kind, words in simple:
        if isinstance(cause, kind):
            return words
    if type(cause) is OSError and cause.strerror:
        return cause.strerror.lower()  # the system's own words: "network is unreachable"
    return None


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        yield error
        error = error.__cause__ or error.__context__
