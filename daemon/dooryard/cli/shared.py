"""What several commands need: the box and the policy that they work on."""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dooryard.core.errors import ConfigError

if TYPE_CHECKING:
    from dooryard.box.file import BoxFile
    from dooryard.policy.schema import Policy


INSTALLED = Path("/etc/dooryard/box.toml")


@dataclass(frozen=True, slots=True)
class Context:
    """A box, where its file stands, and its policy."""

    box: BoxFile
    base: Path
    policy: Policy

    @property
    def state_folder(self) -> Path:
        return self.base / self.box.state_folder


def add_context_options(parser: argparse.ArgumentParser) -> None:
    """Let `parser` take a box file and a policy."""
    parser.add_argument(
        "--box",
        type=Path,
        metavar="FILE",
        help=f"the box it is about (default: {INSTALLED}, else ./box.toml)",
    )
    parser.add_argument(
        "--policy",
        type=Path,
        metavar="FILE",
        help="its policy (default: policy.toml beside a box file found so)",
    )


def context_of(arguments: argparse.Namespace) -> Context:
    """What `add_context_options`'s arguments name. Raises ConfigError with every problem in its files."""
    from dooryard.box.file import parse_box
    from dooryard.core.text_files import read_text
    from dooryard.policy.parse import parse_policy
    from dooryard.policy.schema import Policy

    box_file, policy_file = arguments.box, arguments.policy
    if box_file is None:
        box_file, beside = found_files()
        policy_file = policy_file or beside
        print(f"box file: {box_file}; policy: {policy_file or 'none'}", file=sys.stderr)
    box = parse_box(read_text(box_file), str(box_file)).value
    policy = Policy()
    if policy_file is None:
        print("no --policy given: times are in UTC, and the place has no name", file=sys.stderr)
    else:
        policy = parse_policy(read_text(policy_file), str(policy_file)).value
    return Context(box, box_file.resolve().parent, policy)


def found_files() -> tuple[Path, Path | None]:
    """The box file that is meant where none is named, and the policy beside it.

    The installed one goes first; else the one in the working folder, if it is the caller's own: what somebody
    else put there could name files and addresses of theirs. Raises ConfigError where there is neither.
    """
    here = Path("box.toml")
    for box_file in (INSTALLED, here):
        try:
            owner = box_file.stat().st_uid
        except FileNotFoundError:
            continue
        except PermissionError as error:
            raise ConfigError(
                f"{box_file}: this user may not read it", "use sudo, or name one with --box"
            ) from error
        if box_file == here and owner != os.geteuid():
            raise ConfigError(
                f"{here.resolve()} belongs to another user", "name it with --box if you mean it"
            )
        policy_file = box_file.with_name("policy.toml")
        return box_file, policy_file if policy_file.is_file() else None
    raise ConfigError(f"there is no box file: neither {INSTALLED} nor ./box.toml", "name one with --box FILE")
