"""The first command on a new box: setup."""

from __future__ import annotations

import argparse
import getpass
import os
import shlex
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dooryard.sinks.base import SendResult, Sink

# Flag -> (placeholder, help): each answers a question of that name in dooryard.setup.questions.
_ANSWERS = {
    "name": ("NAME", "what the place is called"),
    "where": ("TOWN", 'the nearest town ("Oxford, GB"), or "51.75 N 1.26 W"'),
    "time-zone": ("ZONE", "its time zone (default: found from where it is)"),
    "tell": ("WHOM", 'whom to be told of, such as "bird, squirrel"'),
    "quiet": ("HOURS", 'when alerts wait: "22:00-07:00", or never'),
    "to": ("WAYS", "push, mail, folder (several with commas), or nothing yet"),
    "push": ("URL", "address that takes a request for each alert"),
    "push-shape": ("SHAPE", "picture, text, json, form or event"),
    "mail-to": ("ADDRESS", "who gets mail"),
    "mail-from": ("ADDRESS", "whom it comes from"),
    "mail-host": ("HOST", "the mail server"),
    "mail-security": ("HOW", "tls, starttls or none"),
    "mail-port": ("PORT", "its port, where it is not the usual one"),
    "mail-user": ("NAME", "who logs in; none: nobody"),
    "pages": ("FOLDER", "folder for the journal's pages"),
    "camera": ("KIND", "picamera, scene or folder"),
    "recording": ("FOLDER", "the recording of a camera of the kind folder"),
}
_SECRETS = {
    "push-token-file": "file with the push address's token",
    "mail-password-file": "file with the mail account's password",
}
_LOCAL_TIME = Path("/etc/localtime")


def add(commands: Any) -> None:
    """Add the command to `commands`, what `ArgumentParser.add_subparsers` returned."""
    setup = commands.add_parser("setup", help="ask a few questions, try the answers, write the files")
    for flag, (placeholder, text) in _ANSWERS.items():
        setup.add_argument(f"--{flag}", metavar=placeholder, help=text)
    for flag, text in _SECRETS.items():
        setup.add_argument(f"--{flag}", type=Path, metavar="FILE", help=text)
    setup.add_argument("--yes", action="store_true", help="ask nothing: defaults for what no flag answers")
    setup.add_argument(
        "--send-test", action=argparse.BooleanOptionalAction, help="send a test message (default: ask)"
    )
    setup.add_argument(
        "--try", dest="looks", action=argparse.BooleanOptionalAction, default=True, help="try each answer"
    )
    setup.add_argument("--overwrite", action="store_true", help="replace files; the old ones are kept, too")
    setup.add_argument(
        "--folder", type=Path, metavar="FOLDER",
        help="where to write (default: /etc/dooryard if installed, else here)",
    )  # fmt: skip
    setup.set_defaults(command=_setup)


def _setup(arguments: argparse.Namespace) -> int:
    from dooryard.core.clock import SystemClock
    from dooryard.setup.asker import Console
    from dooryard.setup.command import Wish, setup

    clock = SystemClock()
    console = Console(input, getpass.getpass) if sys.stdin.isatty() else None
    wish = Wish(
        given=_given(arguments),
        folder=arguments.folder,
        yes=arguments.yes,
        test=arguments.send_test,
        looks=arguments.looks,
        program=_program(),
    )
    return setup(
        wish, console, clock, _send, _say, here=_zone_here(), today=datetime.now().astimezone().date()
    )


def _given(arguments: argparse.Namespace) -> dict[str, str]:
    """Flag -> answer. Raises ConfigError for a secret's file that cannot be read."""
    from dooryard.core.text_files import read_text

    values = vars(arguments)
    given = {flag: values[flag.replace("-", "_")] for flag in _ANSWERS}
    for flag in _SECRETS:
        file = values[flag.replace("-", "_")]
        given[flag] = None if file is None else read_text(file, "file of a secret").strip("\r\n")
    given["overwrite"] = "yes" if arguments.overwrite else None
    return {flag: text for flag, text in given.items() if text is not None}


def _say(text: str) -> None:
    print(text, flush=True)


def _send(sink: Sink) -> SendResult:
    from dooryard.cli.try_sinks import sent, trial_alert, trial_picture
    from dooryard.core.clock import SystemClock

    now, name = SystemClock().now(), "Dooryard"
    alert = trial_alert(name, now, os.urandom(16), clock_set=True)
    return sent(sink, alert, trial_picture(f"{name}  {now.wall:%Y-%m-%d %H:%M} UTC"))


def _zone_here() -> str | None:
    """The system's own time zone (localtime(5): a link into the zone files); None where it does not say."""
    try:
        target = str(_LOCAL_TIME.readlink())
    except OSError:
        return None
    _, found, zone = target.partition("zoneinfo/")
    return zone if found else None


def _program() -> str:
    """How this program was called, as it can be called again."""
    called = Path(sys.argv[0])
    if called.name == "dooryard":
        return shlex.quote(sys.argv[0])
    return f"{shlex.quote(sys.executable)} -m dooryard"
