"""Names, addresses and the whereabouts of secrets, as the box file writes them. Pure text handling.

Each function returns what it was given, in the form it is used in, or raises ValueError with a text
for the owner.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from email.utils import parseaddr
from ipaddress import ip_address

from pydantic_core import Url

from dooryard.policy.schema import ALL_SINKS

WHERE_SECRETS_ARE = '"credential:NAME", "file:/path" or "env:NAME"'

_REFERENCE = re.compile(r"(credential|file|env):(\S(?:.*\S)?)")
_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252})")
_LOGIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}")
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")


@dataclass(frozen=True, slots=True)
class SecretRef:
    """Where a secret is: a service credential, a file, or an environment variable."""

    source: str  # "credential", "file" or "env"
    name: str  # the credential's or variable's name, or the file's path

    def __str__(self) -> str:
        return f"{self.source}:{self.name}"


def secret_ref(value: object) -> SecretRef | None:
    """Read a reference. The value is never shown: it may be the secret itself."""
    if value is None or isinstance(value, SecretRef):
        return value
    match = _REFERENCE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise ValueError(
            "a secret must not stand in this file; put it where only the service can read it, "
            f"and write where that is: {WHERE_SECRETS_ARE}"
        )
    if match[1] != "file" and not re.fullmatch(r"[A-Za-z0-9_.-]+", match[2]):
        raise ValueError(f"a {match[1]}'s name has letters, digits, _, - and . only")
    if match[1] == "file" and not match[2].startswith("/"):
        raise ValueError("the file of a secret is named by its whole path, from / on")
    return SecretRef(match[1], match[2])


def key_ref(value: object) -> SecretRef | None:
    """A reference to a key that another program reads, so that it must be a file."""
    found = secret_ref(value)
    if found is not None and found.source == "env":
        raise ValueError(
            'a key cannot come from an environment variable; write "credential:NAME" or "file:/path"'
        )
    return found


def sink_name(value: str) -> str:
    if value == ALL_SINKS:
        raise ValueError(f'"{ALL_SINKS}" means every sink; give this one another name')
    if not _NAME.fullmatch(value):
        raise ValueError("must be 1 to 32 lower-case letters, digits, - and _, such as phone")
    return value


def webhook_address(value: str) -> str:
    """A webhook's address. It is never shown: its path may be the receiver's secret."""
    url = parsed_address(value)
    if url is None:
        raise ValueError('is not an http or https address; write it as "https://host/path"')
    if (
        url.username is not None
        or url.password is not None
        or "@" in value.partition("//")[2].partition("/")[0]
    ):
        raise ValueError("holds a password; take it out, and name a bearer secret instead")
    return value


def page_address(value: str) -> str:
    """Where pages stand: an http or https address without a question or a fragment."""
    url = parsed_address(value)
    if url is None or url.query or url.fragment or url.username or url.password:
        raise ValueError('is not the address of a page; write it as "https://host/path/"')
    return value


def host_name(value: str) -> str:
    """A host's name or number, as it may stand on a command line."""
    if not _HOST.fullmatch(value):
        raise ValueError("is not a host; write its bare name or number, such as garden.example")
    return value


def login_name(value: str) -> str:
    """A user's name on another machine, as it may stand on a command line."""
    if not _LOGIN.fullmatch(value):
        raise ValueError("is not a user's name; write letters, digits, . _ and -, such as wren")
    return value


def parsed_address(value: str) -> Url | None:
    """An http or https address in parts; None if it is none."""
    if not value.isprintable() or " " in value or "\\" in value or "//" not in value:
        return None
    try:
        url = Url(value)
    except ValueError:
        return None
    return url if url.scheme in ("http", "https") and url.host and url.port != 0 else None


def mail_address(value: str) -> str:
    name, address = parseaddr(value)
    local, at, domain = address.rpartition("@")
    if not (at and local and domain and value.isprintable()) or " " in address or name == address:
        raise ValueError('is not a mail address; write "box@a.example" or "Alder Row <box@a.example>"')
    return value


def is_loopback(host: str) -> bool:
    """Whether `host` is this machine by its name or number."""
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"
