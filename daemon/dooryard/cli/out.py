"""What was told and what waits: outbox, try-sinks."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

from dooryard.cli.shared import add_context_options, context_of


def add(commands: Any) -> None:
    """Add the commands to `commands`, what `ArgumentParser.add_subparsers` returned."""
    outbox = commands.add_parser("outbox", help="what was not sent yet: list it, try again, or drop it")
    add_context_options(outbox)
    change = outbox.add_mutually_exclusive_group()
    change.add_argument("--retry", nargs="+", metavar="ALERT", help='try these again, or "all"')
    change.add_argument("--drop", nargs="+", metavar="ALERT", help='never send these, or "all"')
    outbox.add_argument("--sure", action="store_true", help="with --drop: ask nothing")
    outbox.add_argument("--sink", metavar="NAME", help="only of this sink")
    outbox.add_argument("--everything", action="store_true", help="list what was sent, too")
    outbox.add_argument("--json", action="store_true", help="list it for other programs")
    outbox.set_defaults(command=_outbox)

    trial = commands.add_parser("try-sinks", help="send one message with a picture to each sink")
    add_context_options(trial)
    trial.set_defaults(command=_try_sinks)


def _outbox(arguments: argparse.Namespace) -> int:
    from dooryard.cli import outbox as outbox_command

    context = context_of(arguments)
    folder, sink = context.state_folder, arguments.sink
    sinks = frozenset(table.name for table in context.box.sink)
    if arguments.retry:
        return outbox_command.retry(folder, arguments.retry, sys.stdout, sink=sink, sinks=sinks)
    if arguments.drop:
        return outbox_command.drop(
            folder, arguments.drop, sys.stdout, input, sink=sink, sure=arguments.sure, sinks=sinks
        )
    return outbox_command.listing(
        folder,
        sys.stdout,
        sink=sink,
        everything=arguments.everything,
        as_json=arguments.json,
        sinks=sinks,
        zone=context.policy.place.zone,
    )


def _try_sinks(arguments: argparse.Namespace) -> int:
    from dooryard.cli.try_sinks import try_sinks
    from dooryard.core.clock import SystemClock
    from dooryard.sensors.clock_state import clock_is_set
    from dooryard.service import build

    context, now = context_of(arguments), SystemClock().now()
    return try_sinks(
        build.sinks(context.box, context.base, os.environ),
        context.box.name,
        now,
        os.urandom(16),
        sys.stdout,
        clock_set=clock_is_set(now.wall),
    )
