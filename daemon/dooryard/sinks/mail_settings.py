"""What a mail sink is given, checked before anything is sent: addresses, log-in, encryption."""

from __future__ import annotations

import ipaddress
import ssl
from email.errors import MessageError
from email.headerregistry import Address
from email.utils import parseaddr
from pathlib import Path
from typing import Literal

from dooryard.core.errors import SinkError
from dooryard.sinks.letter import one_line

Security = Literal["tls", "starttls", "none"]


def checked_address(text: str) -> Address:
    name, spec = parseaddr(text)
    try:
        address = Address(display_name=name, addr_spec=spec)
    except (ValueError, IndexError, MessageError):  # which one depends on the Python version
        address = Address()
    whole = bool(address.username and address.domain) and text.isprintable()
    if not whole or not spec.isascii() or " " in spec:
        raise SinkError(
            f"{one_line(text)!r} is not a mail address",
            'write "name@host.example" or "Name <name@host.example>"',
        )
    return address


def checked_log_in(word: str | None) -> str | None:
    """A user or password that a mail server can be sent: RFC 4616, 2, takes UTF-8 without a zero."""
    try:
        sound = word is None or b"\0" not in word.encode()
    except UnicodeEncodeError:
        sound = False
    if not sound:
        raise SinkError(
            "the e-mail sink's user or password holds what no log-in can carry",
            "store it again, as UTF-8 text",
        )
    return word


def checked_security(security: Security, host: str) -> Security:
    if security not in {"tls", "starttls", "none"}:
        raise SinkError(f"{security!r} is not a kind of security", 'use "tls", "starttls" or "none"')
    if security == "none" and not _is_loopback(host):
        raise SinkError(
            f"mail to {host} would go unencrypted", 'use "tls" or "starttls"; "none" is for this machine only'
        )
    return security


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file) if ca_file else None)
    except (OSError, ssl.SSLError) as error:
        raise SinkError(
            f"the certificate file {ca_file} cannot be used: {error}", "point ca_file to a PEM file"
        ) from error
