"""Where the files go: onto an installed box, or into a folder of the owner's. Edge.

On an installed box the service's user may read the files, but the secrets only root: they are handed to the
service as credentials (systemd.exec(5)), by a drop-in of this command's own. An upgrade leaves all alone.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from dooryard.core.atomic_files import FileCalls, make_folders, write_file
from dooryard.core.errors import ConfigError, StoreError
from dooryard.setup.answers import Answers

INSTALLED = Path("/etc/dooryard")
UNITS = Path("/etc/systemd/system")
DROP_IN = Path("dooryard.service.d/50-setup.conf")
_LOAD = re.compile(r"^LoadCredential=([^:\s]+)", re.MULTILINE)
SERVICE_USER = "dooryard"
STATE = "/var/lib/dooryard"
_HIDDEN = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")  # noqa: S108  (ProtectHome=, PrivateTmp=)
FILE_MODE, SECRET_MODE, SECRETS_MODE, UNIT_MODE = 0o640, 0o600, 0o700, 0o644


@dataclass(frozen=True, slots=True)
class File:
    """A file to be written."""

    path: Path
    text: str
    mode: int


@dataclass(frozen=True, slots=True)
class Target:
    """`folder` takes box and policy file. `units`: where systemd's files are; None: no installed box."""

    folder: Path
    units: Path | None = None

    @property
    def box(self) -> Path:
        return self.folder / "box.toml"

    @property
    def policy(self) -> Path:
        return self.folder / "policy.toml"

    @property
    def secrets(self) -> Path:
        return self.folder / "secrets"

    @property
    def drop_in(self) -> Path | None:
        return None if self.units is None else self.units / DROP_IN

    @property
    def state_folder(self) -> str:
        return "state" if self.units is None else STATE

    def reference(self, secret: str) -> str:
        """Where a secret will be, as the box file names it."""
        return f"file:{self.secrets.absolute() / secret}" if self.units is None else f"credential:{secret}"

    def files(self, answers: Answers, box: str, policy: str) -> list[File]:
        """What is written, in this order: the box file last, as it names all the others."""
        found = [
            File(self.secrets / name, secret.reveal() + "\n", SECRET_MODE)
            for name, secret in answers.secrets.items()
        ]
        if self.drop_in is not None and (text := self._drop_in_text(answers)):
            found.append(File(self.drop_in, text, UNIT_MODE))
        return [*found, File(self.policy, policy, FILE_MODE), File(self.box, box, FILE_MODE)]

    def _drop_in_text(self, answers: Answers) -> str:
        lines = [f"LoadCredential={name}:{self.secrets / name}" for name in answers.secrets]
        if answers.pages and not Path(answers.pages).is_relative_to(STATE):
            escaped = answers.pages.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
            lines.append(f'ReadWritePaths="{escaped}"')
        if not lines:
            return ""
        about = "# Made by `dooryard setup`: what the service is given beyond what it has by itself."
        return "\n".join((about, "[Service]", *lines, ""))


def target_of(folder: Path | None) -> Target:
    """Where to write: `folder` if one is named, else the installed box, else the working folder.

    Raises ConfigError where the box is installed and this user may not write there.
    """
    if folder is not None and folder.resolve() != INSTALLED.resolve():
        return Target(folder)
    if folder is None and not INSTALLED.is_dir():
        return Target(Path())
    if os.geteuid() != 0:
        raise ConfigError(
            f"the box's files are in {INSTALLED}, where only root may write",
            "run it with sudo; or name a folder of yours with --folder",
        )
    return Target(INSTALLED, UNITS)


def handed_over(units: Path) -> frozenset[str]:
    """Credentials that a drop-in in `units` gives to the service, this command's own or the owner's."""
    found: set[str] = set()
    for file in sorted((units / DROP_IN.parent).glob("*.conf")):
        with contextlib.suppress(OSError, UnicodeDecodeError):  # one that can't be read hands over nothing
            found |= set(_LOAD.findall(file.read_text(encoding="utf-8")))
    return frozenset(found)


def existing(files: list[File]) -> list[Path]:
    return [file.path for file in files if os.path.lexists(file.path)]


def write(target: Target, files: list[File], today: date) -> list[Path]:
    """Write them, each whole or not at all, and return where those that were there are kept.

    Raises StoreError when one cannot be written; those before it are.
    """
    kept = []
    for file in files:
        try:
            make_folders(target.folder, FileCalls(), mode=_folder_mode(target, target.folder))
            make_folders(file.path.parent, FileCalls(), mode=_folder_mode(target, file.path.parent))
            if os.path.lexists(file.path):
                kept.append(_keep(file.path, today))
            write_file(file.path, file.text.encode(), _Owned(_group(target, file)), mode=file.mode)
        except OSError as error:
            raise StoreError(
                f"{file.path}: {(error.strerror or str(error)).lower()}",
                "see to its folder and the room on the card, then run it again",
            ) from error
    return kept


def problem_of_pages(target: Target, folder: Path) -> str | None:
    """Why the service of an installed box could never write there, whatever the folder's mode; else None."""
    hidden = [each for each in _HIDDEN if folder.is_relative_to(each)]
    if target.units is None or not hidden:
        return None
    return f"{folder}: the service sees nothing of {hidden[0]}; name another folder, such as /srv/garden"


def hand_over(target: Target, folder: Path) -> None:
    """Give a folder of pages that is empty yet to the service's user, on an installed box.

    Raises ConfigError where there is no such user.
    """
    if target.units is not None and not any(folder.iterdir()):
        try:
            user = pwd.getpwnam(SERVICE_USER)
        except KeyError:
            raise ConfigError(
                f"this system has no user {SERVICE_USER}, which the service runs as",
                "run tools/install first",
            ) from None
        os.chown(folder, user.pw_uid, user.pw_gid)


class _Owned(FileCalls):
    """Gives each file its group before it is in place; None: that of whoever writes it."""

    def __init__(self, group: int | None) -> None:
        self._group = group

    def rename(self, old: Path, new: Path) -> None:
        if self._group is not None:
            os.chown(old, -1, self._group)
        super().rename(old, new)


def _group(target: Target, file: File) -> int | None:
    """The service's own group for what it reads itself, as the install gave it to the folder."""
    return target.folder.stat().st_gid if target.units is not None and file.mode == FILE_MODE else None


def _folder_mode(target: Target, folder: Path) -> int:
    if folder == target.secrets:
        return SECRETS_MODE
    return 0o755 if target.units is not None and folder.is_relative_to(target.units) else 0o750


def _keep(path: Path, today: date) -> Path:
    """A second name for what is there, with the date in it."""
    wanted = path.with_name(f"{path.name}.{today.isoformat()}")
    kept, number = wanted, 2
    while os.path.lexists(kept):
        kept, number = wanted.with_name(f"{wanted.name}-{number}"), number + 1
    os.link(path, kept, follow_symlinks=False)
    return kept
