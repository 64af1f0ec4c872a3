"""Aiming and focusing: aim."""

from __future__ import annotations

import argparse
from typing import Any

from dooryard.cli.shared import add_context_options, context_of


def add(commands: Any) -> None:
    """Add the command to `commands`, what `ArgumentParser.add_subparsers` returned."""
    aim = commands.add_parser("aim", help="show the live picture for a while, to aim and focus by")
    add_context_options(aim)
    aim.add_argument("--serve", metavar="ADDRESS", required=True, help="on this address of the local network")
    aim.add_argument("--port", type=int, default=8081, metavar="N", help="(default: 8081)")
    aim.add_argument("--minutes", type=float, default=15.0, metavar="N", help="for how long (default: 15)")
    aim.add_argument(
        "--frames-per-s", type=float, default=2.0, metavar="N", help="shown a second (default: 2)"
    )
    aim.add_argument(
        "--stop-service", action="store_true", help="stop the service for it, and start it again at the end"
    )
    aim.set_defaults(command=_aim)


def _aim(arguments: argparse.Namespace) -> int:
    from dooryard.aim.command import AimRequest, aim
    from dooryard.aim.service import run_command
    from dooryard.core.clock import SystemClock
    from dooryard.web.listen import Where

    where = Where(arguments.serve, arguments.port, arguments.minutes * 60, "the live picture")
    asked = AimRequest(where, arguments.frames_per_s, arguments.stop_service)
    asked.check()
    context = context_of(arguments)
    return aim(context.box, context.base, asked, SystemClock(), run_command, _tell)


def _tell(text: str) -> None:
    print(text, flush=True)
