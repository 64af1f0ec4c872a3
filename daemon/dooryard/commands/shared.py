"""What several commands need: the box and the policy that they work on."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dooryard.box import BoxFile
    from dooryard.policy.schema import Policy


@dataclass(frozen=True, slots=True)
class Unit:
    """A box, where its file stands, and its policy."""

    box: BoxFile
    base: Path
    policy: Policy

    @property
    def state_folder(self) -> Path:
        return self.base / self.box.state_folder


def add_unit(parser: argparse.ArgumentParser) -> None:
    """Let `parser` take a box file and a policy."""
    parser.add_argument("--box", type=Path, required=True, metavar="FILE", help="the box it is about")
    parser.add_argument("--policy", type=Path, metavar="FILE", help="its policy (default: built in)")


def unit_of(arguments: argparse.Namespace) -> Unit:
    """The unit that `add_unit`'s arguments name. Raises ConfigError with every problem in its files."""
    from dooryard.box import parse_box
    from dooryard.policy.parse import parse_policy
    from dooryard.policy.schema import Policy
    from dooryard.text_files import read_text

    box = parse_box(read_text(arguments.box), str(arguments.box)).value
    policy = Policy()
    if arguments.policy is None:
        print("no --policy given: times are in UTC, and the place has no name", file=sys.stderr)
    else:
        policy = parse_policy(read_text(arguments.policy), str(arguments.policy)).value
    return Unit(box, arguments.box.resolve().parent, policy)
