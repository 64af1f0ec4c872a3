"""The commands to try a policy and to look into one: rehearse, hours, why, record.

`add` puts them among the command line's own; each reads its arguments and calls the room that does the
work. Imports stand inside the commands, as in `cli`.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dooryard.cli.shared import add_context_options, context_of

if TYPE_CHECKING:
    from dooryard.policy.schema import Policy

GB = 1_000_000_000


def add(commands: Any) -> None:
    """Add the commands to `commands`, what `ArgumentParser.add_subparsers` returned."""
    _add_rehearse(commands)
    hours = commands.add_parser("hours", help="show the coming watch and quiet hours, with the sun's times")
    hours.add_argument("policy", type=Path, metavar="POLICY")
    hours.add_argument("--days", type=_count, default=7, metavar="N", help="how many (default: 7)")
    hours.add_argument("--from", type=_date, dest="first", metavar="DATE", help="first day (today)")
    hours.set_defaults(command=_hours)

    why = commands.add_parser("why", help="say why an alert on a visit was sent, or was not")
    why.add_argument(
        "visit",
        metavar="VISIT",
        help='its id, enough of its beginning or end, or "last"; "absences" for those',
    )
    add_context_options(why)
    why.set_defaults(command=_why)
    _add_record(commands)


def _add_rehearse(commands: Any) -> None:
    rehearse = commands.add_parser("rehearse", help="try a policy on recorded frames; nothing is sent")
    rehearse.add_argument(
        "recordings", nargs="+", metavar="RECORDING",
        help="a folder of frames, a box file with a recording as its camera, or scene[:NAME]",
    )  # fmt: skip
    rehearse.add_argument("--policy", type=Path, metavar="FILE", help="what to try (default: built in)")
    rehearse.add_argument("--against", type=Path, metavar="FILE", help="show only what this one changes")
    rehearse.add_argument("--box", type=Path, metavar="FILE", help="whose sizes, gate and sinks hold")
    rehearse.add_argument(
        "--truth", type=Path, metavar="FILE", help="what really came: start,end,visitor,species"
    )
    rehearse.add_argument(
        "--marks", action="store_true", help="with --box: what people marked in its journal is what came"
    )
    rehearse.add_argument("--report", type=Path, metavar="FOLDER", help="write a page with the pictures")
    rehearse.add_argument("--json", action="store_true", help="print it for other programs")
    rehearse.add_argument(
        "--processes", type=_count, default=0, metavar="N", help="at once (default: all cores)"
    )
    rehearse.set_defaults(command=_rehearse)


def _add_record(commands: Any) -> None:
    record = commands.add_parser("record", help="record the camera into a folder, to rehearse with")
    record.add_argument("folder", type=Path, metavar="FOLDER")
    record.add_argument(
        "--box", type=Path, metavar="FILE", help="whose camera (default: the simulated garden)"
    )
    record.add_argument("--frames-per-s", type=_positive, default=2.0, metavar="N", help="default: 2")
    record.add_argument("--hours", type=_positive, metavar="N", help="how long (default: until stopped)")
    record.add_argument("--most-gb", type=_positive, default=8.0, metavar="N", help="most room (default: 8)")
    record.set_defaults(command=_record)


def _rehearse(arguments: argparse.Namespace) -> int:
    from dooryard.rehearse.command import RehearseOptions, rehearse

    options = RehearseOptions(
        recordings=arguments.recordings,
        policy=arguments.policy,
        against=arguments.against,
        box=arguments.box,
        truth=arguments.truth,
        marks=arguments.marks,
        report=arguments.report,
        as_json=arguments.json,
        processes=arguments.processes,
    )
    return rehearse(options, sys.stdout, sys.stderr)


def _hours(arguments: argparse.Namespace) -> int:
    from dooryard.policy.almanac import hours_table

    policy = _policy(arguments.policy)
    first = arguments.first or datetime.now(policy.place.zone).date()
    print(hours_table(policy, first, arguments.days), end="")
    return 0


def _why(arguments: argparse.Namespace) -> int:
    from dooryard.cli.explain import why

    context = context_of(arguments)
    zone = context.policy.place.zone if arguments.policy else None
    return why(context.state_folder, arguments.visit, sys.stdout, zone)


def _record(arguments: argparse.Namespace) -> int:
    from dooryard.cli.record import record
    from dooryard.recording.writer import RecorderSettings

    settings = RecorderSettings(
        frames_per_s=arguments.frames_per_s,
        most_s=None if arguments.hours is None else arguments.hours * 3600,
        most_bytes=round(arguments.most_gb * GB),
    )
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    return record(arguments.box, arguments.folder, settings, stop, sys.stdout)


def _policy(file: Path) -> Policy:
    from dooryard.core.text_files import read_text
    from dooryard.policy.parse import parse_policy

    return parse_policy(read_text(file), str(file)).value


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is not a date; write one such as 2026-06-14') from None


def _count(text: str) -> int:
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value < 1:
        raise argparse.ArgumentTypeError(f'"{text}" is not valid; write a whole number, 1 or more')
    return value


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f'"{text}" is not valid; write a number above 0, such as 1.5')
    return value
