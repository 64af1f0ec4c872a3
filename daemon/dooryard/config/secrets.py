"""Secrets: where they are is written in the box file, what they are is not.

A reference has one of three forms: ``credential:NAME`` (a service credential), ``file:/path`` (a file
that only its owner can read) and ``env:NAME`` (an environment variable).
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from dooryard.core.errors import SinkError
from dooryard.core.text_files import NOT_PLAIN, read_plain

LONGEST_SECRET_BYTES = 16 * 1024
# Where an installed box keeps what its service is given as credentials; only root can read it.
INSTALLED_SECRETS = Path("/etc/dooryard/secrets")


class Secret:
    """A value that does not print. Only `reveal` gives it away."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def reveal(self) -> str:
        return self._value

    def __repr__(self) -> str:
        return "Secret([secret])"

    __str__ = __repr__

    def __reduce__(self) -> tuple[object, ...]:
        raise TypeError("a secret is not to be copied to disk or to another process")


def credentials_folder(environ: Mapping[str, str]) -> Path | None:
    """Where credentials are: what the service manager made for the service, else the box's secrets.

    The latter only for who can read them, so that root's commands find what the service gets. None: neither.
    """
    named = environ.get("CREDENTIALS_DIRECTORY")
    if named:
        return Path(named)
    return INSTALLED_SECRETS if os.access(INSTALLED_SECRETS, os.R_OK | os.X_OK) else None


def resolve(reference: str, environ: Mapping[str, str], folder: Path | None) -> Secret:
    """Fetch the secret that `reference` names.

    `folder` is where credentials are, None when there is none: see `credentials_folder`.

    Raises `SinkError` when it is missing, empty, too long, or in a file that others can read.
    """
    kind, _, name = reference.partition(":")
    if kind == "credential":
        return _credential(name, folder)
    if kind == "file":
        return _from_file(Path(name))
    if kind == "env":
        return _from_environment(name, environ)
    # The reference itself is not shown: somebody may have put the secret there.
    raise SinkError(
        "a secret's reference has an unknown form",
        'write "credential:NAME", "file:/absolute/path" or "env:NAME", never the secret itself',
    )


def path_of(reference: str, folder: Path | None) -> Path:
    """Where a secret file is, for another program that reads it (an ssh key).

    Raises `SinkError` when it is missing, empty, readable by others, or not in a file at all.
    """
    kind, _, name = reference.partition(":")
    if kind == "env":
        raise SinkError("a key cannot come from an environment variable", 'use "credential:" or "file:"')
    resolve(reference, {}, folder)
    return Path(name) if kind == "file" else (folder or Path()) / name


def _credential(name: str, folder: Path | None) -> Secret:
    if folder is None:
        raise SinkError(
            f"the credential {name!r} is wanted, but the service was given no credentials",
            f"add LoadCredential={name}:/path/to/file to the service unit and start it again",
        )
    if not name or "/" in name or name in {".", ".."}:
        raise SinkError(f"{name!r} is not a credential's name", "use the plain name from LoadCredential=")
    # The service manager guards this folder; its access lists may show up as group bits.
    return _read(folder / name, f"the credential {name!r}", guarded=True)


def _from_file(path: Path) -> Secret:
    if not path.is_absolute():
        raise SinkError(f"the secret file {path} has no absolute path", "write the path from the root: /...")
    return _read(path, f"the secret file {path}", guarded=False)


def _from_environment(name: str, environ: Mapping[str, str]) -> Secret:
    value = environ.get(name, "")
    if not value:
        raise SinkError(f"the environment variable {name!r} is not set", f"set {name} for the service")
    return Secret(value)


def _read(path: Path, what: str, *, guarded: bool) -> Secret:
    try:
        data, status = read_plain(path, LONGEST_SECRET_BYTES)
    except OSError as error:
        if error.strerror == NOT_PLAIN:
            raise SinkError(f"{what} {NOT_PLAIN}", "point to a plain file") from error
        reason = error.strerror or type(error).__name__
        raise SinkError(
            f"{what} cannot be read: {reason}", f"create {path}, owned by the service's user, mode 600"
        ) from error
    mode = stat.S_IMODE(status.st_mode)
    if not guarded and mode not in {0o600, 0o400}:
        raise SinkError(f"{what} has mode {mode:04o}: others than its owner may read it", f"chmod 600 {path}")
    if status.st_size > LONGEST_SECRET_BYTES:
        raise _too_long(what)
    return Secret(_as_text(data, what))


def _too_long(what: str) -> SinkError:
    return SinkError(f"{what} is longer than {LONGEST_SECRET_BYTES} bytes", "put only the secret into it")


def _as_text(data: bytes, what: str) -> str:
    if len(data) > LONGEST_SECRET_BYTES:
        raise _too_long(what)
    try:
        text = data.decode()
    except UnicodeDecodeError:
        # Not chained: the original error carries the bytes.
        raise SinkError(f"{what} is not UTF-8 text", "write the secret as text") from None
    text = text.removesuffix("\n").removesuffix("\r")
    if not text:
        raise SinkError(f"{what} is empty", "write the secret into it, on one line")
    return text
