"""`dooryard setup`: asks, tries, writes, and says what comes next."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from dooryard.box.file import BoxFile, parse_box, telling
from dooryard.config.toml_document import read
from dooryard.core.clock import Clock
from dooryard.core.errors import EXIT_OK, ConfigError
from dooryard.policy.parse import policy_in
from dooryard.service import build
from dooryard.setup import questions as q
from dooryard.setup.answers import Answers
from dooryard.setup.asker import STOPPED, Asker, Console
from dooryard.setup.conversation import converse
from dooryard.setup.target import Target, existing, target_of, write
from dooryard.setup.texts import box_text, policy_text
from dooryard.setup.trials import Trials
from dooryard.sinks.base import SendResult, Sink

_INTRODUCTION = (
    "A few questions, each with what is usual in brackets: Enter takes that, ? explains, Ctrl-C stops.\n"
    "Nothing is written before the last one."
)


@dataclass(frozen=True, slots=True)
class Wish:
    """What the command line says. `given`: flag -> answer; `program` is how the owner calls this program."""

    given: Mapping[str, str]
    folder: Path | None = None
    yes: bool = False
    test: bool | None = None
    looks: bool = True
    program: str = "dooryard"


def setup(
    wish: Wish,
    console: Console | None,
    clock: Clock,
    send: Callable[[Sink], SendResult],
    say: Callable[[str], None],
    *,
    here: str | None,
    today: date,
) -> int:
    """Ask by `console` (None: nobody is there), try, and write. Returns 0.

    `here` is the system's time zone, if it has one. Raises ConfigError for an answer that is missing or will
    not do, StoreError where a file cannot be written.
    """
    target = target_of(wish.folder)
    asker = Asker(wish.given, None if wish.yes else console, say, yes=wish.yes)
    if asker.attended:
        say(_INTRODUCTION)
    agreed = _may_replace(asker, [each for each in (target.box, target.policy) if os.path.lexists(each)])
    known = _known(target)
    trials = Trials(asker, clock, send, target, known, test=wish.test, looks=wish.looks)
    usual = "scene" if target.units is None else "picamera"
    answers = converse(asker, trials, known, usual_camera=usual, here=here)
    box = box_text(answers, target.state_folder, target.reference)
    policy = policy_text(answers, known)
    _sound(target, box, policy, known)
    files = target.files(answers, box, policy)
    if not agreed:
        _may_replace(asker, existing(files))
    say("\n" + "\n".join(_summary(answers)))
    kept = write(target, files, today)
    say("\nWritten:\n" + "\n".join(f"  {file.path} (mode {file.mode:04o})" for file in files))
    if kept:
        say("Kept:\n" + "\n".join(f"  {path}" for path in kept))
    say("\nNow, one after the other:\n" + "\n".join(f"  {line}" for line in next_steps(target, wish.program)))
    return EXIT_OK


def next_steps(target: Target, program: str) -> list[str]:
    """Commands to check what was written, and to begin."""
    box, policy = (shlex.quote(str(path)) for path in (target.box, target.policy))
    if target.units is None:
        return [f"{program} check {box} {policy}", f"{program} run --box {box} --policy {policy}"]
    return [
        f"sudo {program} check {box} {policy}",
        "sudo systemctl daemon-reload",
        "sudo systemctl enable dooryard",
        "sudo systemctl restart dooryard",
    ]


def _may_replace(asker: Asker, there: list[Path]) -> bool:
    """Whether what is there may be replaced; False: there is nothing. Raises ConfigError if it may not."""
    if not there:
        return False
    names = ", ".join(str(path) for path in there)
    question = replace(q.OVERWRITE, help=f"{names}: there already. {q.OVERWRITE.help}")
    if not asker.attended and not asker.has(question.flag):
        raise ConfigError(
            f"{names}: there already, and nothing is replaced without your word",
            "give --overwrite (the old ones are kept beside them), or another --folder",
        )
    if not asker.ask(question):
        raise ConfigError(*STOPPED)
    return True


def _known(target: Target) -> dict[str, str]:
    """Name -> group of each visitor that this box can tell, what it was taught among them."""
    names, group_of = build.visitors(BoxFile(state_folder=target.state_folder), target.folder)
    return {name: group_of.get(name, name) for name in names}


def _sound(target: Target, box: str, policy: str, known: Mapping[str, str]) -> None:
    """Look over both texts as `dooryard check` does. Raises ConfigError with every problem and warning."""
    parsed = parse_box(box, str(target.box))
    judged = policy_in(
        read(policy, str(target.policy)),
        sinks=telling(parsed.value),
        visitors=frozenset(known),
        group_of=dict(known),
        sensors=None,
    )
    # A box without a way out is warned of by `check`, and here the owner's wish.
    doubts = [*(parsed.warnings if parsed.value.sink else ()), *judged.warnings]
    if doubts:
        raise ConfigError("\n".join(doubts), "answer that otherwise; nothing was written")


def _summary(answers: Answers) -> Iterator[str]:
    where = answers.where.text if answers.where else "not said"
    quiet = " to ".join(answers.quiet) if answers.quiet else "never"
    ways = [f"push as {answers.push.shape}"] if answers.push else []
    ways += [f"mail to {answers.mail.to}"] if answers.mail else []
    ways += [f"pages in {answers.pages}"] if answers.pages else []
    yield f"{answers.name}: {where}; {answers.time_zone}"
    yield f"  told of: {', '.join(answers.tell)}; quiet: {quiet}"
    yield f"  by: {', '.join(ways) or 'nothing yet'}; camera: {answers.camera.kind}"
