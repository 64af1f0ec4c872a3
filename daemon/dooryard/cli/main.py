"""The commands, thin: each reads its arguments and calls the room that does the work.

Imports stand inside the commands, so that `dooryard --help` and `dooryard check` stay quick.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from dooryard import __version__
from dooryard.cli import aim, back, birds, mute, out, setup, trials, unit
from dooryard.core.errors import DooryardError

_FIRST = """Dooryard tells you what really came to the garden feeder.

First, on a laptop:
  dooryard record afternoon      a recording of the simulated garden
  dooryard rehearse afternoon    what would be told of it, and why
On the box:
  dooryard setup                 asks a few questions and writes its two files
  dooryard check FILE...         looks over its two files
  dooryard aim --serve ADDRESS   the live picture, to aim and focus by
  dooryard survey                tries camera, sensors, card, network, sinks
  dooryard why last              why the last visit was told, or was not
All commands: dooryard --help"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    # Before numpy is loaded: the gate's and the memory's sums are small, and more threads only cost heat.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    arguments = _parser().parse_args(argv)
    if arguments.command is None:
        print(_FIRST)
        return 0
    try:
        code: int = arguments.command(arguments)
    except DooryardError as error:
        print(f"dooryard: {error}", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        # Whoever read our output has gone; nothing more can be said to them.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="dooryard", description="Tells you what really came to the garden feeder."
    )
    parser.add_argument("--version", action="version", version=f"dooryard {__version__}")
    parser.set_defaults(command=None)
    commands = parser.add_subparsers(metavar="COMMAND")

    run = commands.add_parser("run", help="watch, until told to stop")
    run.add_argument("--box", type=Path, required=True, metavar="FILE", help="what this unit is made of")
    run.add_argument("--policy", type=Path, metavar="FILE", help="what you want (default: built in)")
    run.add_argument("--verbose", action="store_true", help="log more")
    run.set_defaults(command=_run)

    check = commands.add_parser("check", help="check policy and box files")
    check.add_argument("files", type=Path, nargs="+", metavar="FILE")
    check.add_argument("--strict", action="store_true", help="count warnings as problems")
    check.add_argument(
        "--changed", action="store_true", help="tell which lines meant something else in earlier versions"
    )
    check.set_defaults(command=_check)
    for group in (setup, trials, unit, aim, birds, out, mute, back):
        group.add(commands)
    return parser


def _run(arguments: argparse.Namespace) -> int:
    from dooryard.service.run import run

    return run(arguments.box, arguments.policy, os.environ, verbose=arguments.verbose)


def _check(arguments: argparse.Namespace) -> int:
    from dooryard.cli.check import check
    from dooryard.service import build

    return check(
        arguments.files,
        sys.stdout,
        visitors_of=build.visitors,
        strict=arguments.strict,
        changed=arguments.changed,
    )
