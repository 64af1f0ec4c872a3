"""Tries each answer at once, with the very parts that the box will have. Nothing is sent without a word."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from dooryard.box.file import BoxFile, parse_box, telling
from dooryard.core.atomic_files import FileCalls, make_folders, write_file
from dooryard.core.clock import Clock
from dooryard.core.errors import ConfigError, DooryardError
from dooryard.policy.parse import parse_policy
from dooryard.service import build
from dooryard.setup import questions as q
from dooryard.setup.answers import Answers
from dooryard.setup.asker import Asker, Question, TrialError, yes_or_no
from dooryard.setup.target import Target, hand_over, problem_of_pages
from dooryard.setup.texts import box_text, policy_text
from dooryard.sinks.base import SendOutcome, SendResult, Sink
from dooryard.sinks.email import EmailSink
from dooryard.sinks.pages import FOLDER_MODE
from dooryard.sinks.remedies import remedy_for
from dooryard.survey.assemble import peers
from dooryard.survey.camera import camera_lines
from dooryard.survey.lines import Verdict
from dooryard.survey.outside import sink_lines

_ARRIVED = Question(
    "arrived", "Did it arrive, words and picture", "Look at the phone, or into the mailbox.",
    "no: you can choose another form or address. Mail may lie among what is unwanted.", yes_or_no, "yes",
)  # fmt: skip


class Trials:
    """`send` sends a trial message by a sink and says what came back; `known`: name -> group of each visitor.

    `test` is what the flags say of sending; None: the owner is asked, and where nobody is there, no.
    With `looks` False nothing at all is tried.
    """

    def __init__(
        self,
        asker: Asker,
        clock: Clock,
        send: Callable[[Sink], SendResult],
        target: Target,
        known: Mapping[str, str],
        *,
        test: bool | None = None,
        looks: bool = True,
    ) -> None:
        self._asker, self._clock, self._send = asker, clock, send
        self._target, self._base, self._known = target, target.folder, known
        self._test, self._looks = test, looks

    def policy(self, answers: Answers) -> None:
        """Whether the policy will do. Raises TrialError."""
        try:
            parsed = parse_policy(policy_text(answers, self._known), "policy.toml")
        except ConfigError as error:
            raise TrialError(error.what, error.remedy) from error
        if parsed.warnings:
            raise TrialError("\n".join(parsed.warnings), "answer that otherwise")

    def push(self, answers: Answers) -> None:
        """Send a test message, or see that somebody answers there. Raises TrialError."""
        if self._looks:
            box, sink = self._sink(replace(answers, mail=None, pages=None))
            self._tried(sink, lambda: self._reached(box))

    def mail(self, answers: Answers) -> None:
        """Send a test mail, or log in and out. Raises TrialError."""
        if self._looks:
            _, sink = self._sink(replace(answers, push=None, pages=None))
            assert isinstance(sink, EmailSink)  # the only one that was written down
            self._tried(sink, lambda: self._logged_in(sink))

    def pages(self, folder: str) -> None:
        """Write into it and take that away again; it is made if it is not there. Raises TrialError."""
        if not self._looks:
            return
        path, disk = Path(folder), FileCalls()
        problem = problem_of_pages(self._target, path)
        if problem:
            raise TrialError(*problem.split("; "))
        trial = path / ".dooryard-trial"
        try:
            new = not path.is_dir()
            make_folders(path, disk, mode=FOLDER_MODE)
            write_file(trial, b"", disk)
            disk.remove(trial)
        except OSError as error:
            text = f"{folder}: {(error.strerror or 'failed').lower()}"
            raise TrialError(text, remedy_for(SendResult(SendOutcome.NOT_SENT, text)) or "") from error
        hand_over(self._target, path)
        self._asker.say(f"  {folder}: {'made, and ' if new else ''}written to.")

    def camera(self, answers: Answers) -> None:
        """Open it, take pictures, and say how they are. Raises TrialError."""
        if not self._looks:
            return
        try:
            camera = build.camera(self._box(replace(answers, push=None, mail=None)), self._base, self._clock)
            lines = camera_lines(camera, self._clock, None)
        except DooryardError as error:
            raise TrialError(error.what, error.remedy) from error
        for line in lines:
            if line.verdict is Verdict.BAD:
                raise TrialError(line.text, line.remedy or "")
            to_do = f"\n    to do: {line.remedy}" if line.remedy else ""
            self._asker.say(f"  {line.about}: {line.text}{to_do}")

    def _box(self, answers: Answers) -> BoxFile:
        try:
            return parse_box(box_text(answers, "state", _variable), "box.toml").value
        except ConfigError as error:
            raise TrialError(error.what, error.remedy) from error

    def _sink(self, answers: Answers) -> tuple[BoxFile, Sink]:
        """The one sink that tells; its secret never touches the disk before it is kept."""
        box = self._box(answers)
        environ = {
            _variable(name).removeprefix("env:"): each.reveal() for name, each in answers.secrets.items()
        }
        try:
            made = build.sinks(box, self._base, environ)
        except DooryardError as error:
            raise TrialError(error.what, error.remedy) from error
        return box, next(sink for sink in made if sink.name in telling(box))

    def _tried(self, sink: Sink, look: Callable[[], None]) -> None:
        wanted = self._test
        if wanted is None:
            wanted = self._asker.attended and self._asker.ask(q.SEND_TEST)
        if not wanted:
            look()
            return
        answer = self._send(sink)
        remedy = remedy_for(answer)
        if remedy is not None:
            raise TrialError(f"{answer.outcome.value} ({answer.text})", remedy)
        self._asker.say(f"  A test message was taken ({answer.text}).")
        if self._asker.attended and not self._asker.ask(_ARRIVED):
            raise TrialError(
                "it was taken, but did not arrive as it should", "choose another form or address"
            )

    def _reached(self, box: BoxFile) -> None:
        for line in sink_lines(peers(box, self._base)):
            if line.verdict is not Verdict.GOOD:
                raise TrialError(line.text, line.remedy or "")
            self._asker.say(f"  {line.text} (--send-test sends one).")

    def _logged_in(self, sink: EmailSink) -> None:
        answer = sink.log_in()
        remedy = remedy_for(answer)
        if remedy is not None:
            raise TrialError(answer.text, remedy)
        self._asker.say(f"  {answer.text}; nothing was sent (--send-test sends a mail).")


def _variable(secret: str) -> str:
    return f"env:DOORYARD_TRIAL_{secret.upper().replace('-', '_')}"
