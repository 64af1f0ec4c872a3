"""Peace for a while: mute."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from dooryard.cli.shared import add_context_options, context_of


def add(commands: Any) -> None:
    """Add the command to `commands`, what `ArgumentParser.add_subparsers` returned."""
    mute = commands.add_parser("mute", help="send only urgent alerts for a while, or see whether it is so")
    add_context_options(mute)
    change = mute.add_mutually_exclusive_group()
    change.add_argument(
        "--until",
        metavar="WHEN",
        help="tomorrow (06:00), a time such as 18:30, how long such as 2h or 45min, or a date",
    )
    change.add_argument("--end", action="store_true", help="end it now")
    mute.set_defaults(command=_mute)


def _mute(arguments: argparse.Namespace) -> int:
    from dooryard.core.clock import SystemClock
    from dooryard.journal import commands

    unit = context_of(arguments)
    context = commands.JournalContext(
        unit.state_folder, unit.policy, SystemClock(), sys.stdout, unit.box.name
    )
    return commands.mute(context, arguments.until, over=arguments.end)
