"""Looking back: journal, mark, teach, export."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dooryard.classify.labels import GROUPS
from dooryard.cli.shared import Context, add_context_options, context_of

if TYPE_CHECKING:
    from dooryard.journal.commands import JournalContext


def add(commands: Any) -> None:
    """Add the commands to `commands`, what `ArgumentParser.add_subparsers` returned."""
    journal = commands.add_parser("journal", help="build the pages of what came, or show them for a while")
    add_context_options(journal)
    journal.add_argument(
        "--folder", type=Path, metavar="FOLDER", help="where to (default: in the state folder)"
    )
    journal.add_argument(
        "--address",
        metavar="URL",
        help="where the pages will stand, for feeds and previews (default: the box file's)",
    )
    journal.add_argument("--with-position", action="store_true", help="write the place into the pictures")
    journal.add_argument("--serve", metavar="ADDRESS", help="show them on this address of the local network")
    journal.add_argument("--port", type=int, default=8080, metavar="N", help="with --serve (default: 8080)")
    journal.add_argument(
        "--minutes", type=float, default=30.0, metavar="N", help="for how long (default: 30)"
    )
    journal.set_defaults(command=_journal)

    mark = commands.add_parser("mark", help="say who a visit really was, keep it or hide it")
    add_context_options(mark)
    mark.add_argument("visit", metavar="VISIT", help='its id, enough of its beginning or end, or "last"')
    mark.add_argument("what", metavar="WHAT", help="nobody, a name, keep, hide, or undo")
    mark.set_defaults(command=_mark)

    teach = commands.add_parser("teach", help="teach the box its own visitors by pictures, or list them")
    add_context_options(teach)
    change = teach.add_mutually_exclusive_group()
    change.add_argument(
        "pictures", type=Path, nargs="?", metavar="FOLDER", help="a folder of pictures for each name in it"
    )
    change.add_argument("--forget", metavar="NAME", help="take back a name, or one picture of the list")
    teach.add_argument("--group", choices=GROUPS, help="of names that the box does not know yet")
    teach.set_defaults(command=_teach)

    export = commands.add_parser("export", help="hand the data on: Camtrap DP, or a plain table")
    add_context_options(export)
    export.add_argument("target", type=Path, metavar="TARGET", help="a folder for Camtrap DP, or a .csv file")
    export.add_argument("--owner", metavar="NAME", help="whose data it is (default: the place's name)")
    export.add_argument("--decimals", type=int, default=2, metavar="N", help="of the position (default: 2)")
    export.add_argument("--from", type=date.fromisoformat, dest="first", metavar="DATE", help="first day")
    export.add_argument("--to", type=date.fromisoformat, dest="last", metavar="DATE", help="last day")
    export.set_defaults(command=_export)


def _journal_context(
    unit: Context, address: str | None = None, *, with_position: bool = False
) -> JournalContext:
    """What is not asked for on the command line goes by the box file, as when the box builds by itself."""
    from dooryard.core.clock import SystemClock
    from dooryard.journal.commands import JournalContext

    return JournalContext(
        unit.state_folder,
        unit.policy,
        SystemClock(),
        sys.stdout,
        unit.box.name,
        address or unit.box.journal.address,
        with_position or unit.box.journal.with_position,
    )


def _group_of(unit: Context) -> dict[str, str]:
    """The group of each name that the box's own model knows."""
    from dooryard.service.build import visitors

    return visitors(unit.box, unit.base)[1]


def _journal(arguments: argparse.Namespace) -> int:
    from dooryard.journal import commands

    unit = context_of(arguments)
    context = _journal_context(unit, arguments.address, with_position=arguments.with_position)
    if arguments.serve is not None:  # before pages are built for nothing
        commands.check_look(arguments.serve, arguments.port, arguments.minutes)
    code = commands.journal(context, arguments.folder)
    if arguments.serve is None:
        return code
    return commands.look(
        context, arguments.serve, arguments.port, arguments.minutes, _group_of(unit), arguments.folder
    )


def _mark(arguments: argparse.Namespace) -> int:
    from dooryard.journal import commands

    unit = context_of(arguments)
    return commands.mark(_journal_context(unit), arguments.visit, arguments.what, _group_of(unit))


def _teach(arguments: argparse.Namespace) -> int:
    from dooryard.cli import teach as teach_command
    from dooryard.service import build

    unit = context_of(arguments)
    if arguments.pictures is not None:
        group_of = build.visitors(unit.box, unit.base)[1]
        teach_command.add(unit.state_folder, arguments.pictures, group_of, arguments.group, sys.stdout)
    elif arguments.forget is not None:
        teach_command.forget(unit.state_folder, arguments.forget, sys.stdout)
    trainable = build.classifier(unit.box, unit.base, unit.policy.place)
    return teach_command.show(unit.state_folder, trainable, sys.stdout)


def _export(arguments: argparse.Namespace) -> int:
    from dooryard.journal import commands
    from dooryard.service.build import card_path
    from dooryard.service.known_visitors import model_name

    unit = context_of(arguments)
    return commands.export(
        _journal_context(unit),
        arguments.target,
        model=model_name(card_path(unit.box, unit.base)),
        owner=arguments.owner,
        decimals=arguments.decimals,
        first=arguments.first,
        last=arguments.last,
    )
