"""Asks one question after the other: from flags, else in a terminal, else by defaults."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from dooryard.core.errors import ConfigError

T = TypeVar("T")
STOPPED = ("stopped by hand; nothing was written", "run it again when you like")


@dataclass(frozen=True, slots=True)
class Question(Generic[T]):
    """A question, with the flag that answers it beforehand.

    `read` takes what was typed and raises ValueError, in words for the owner, for what is no answer.
    """

    flag: str  # without its dashes
    text: str  # the prompt
    help: str  # one line above it
    explained: str  # what "?" shows
    read: Callable[[str], T]
    default: str | None = None
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class Console:
    """A terminal: each shows a prompt and returns what was typed. They raise EOFError at its end."""

    line: Callable[[str], str]
    hidden: Callable[[str], str]


class TrialError(Exception):
    """An answer was tried in vain: what came of it, and what to do."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what, self.remedy = what, remedy


def yes_or_no(text: str) -> bool:
    word = text.strip().casefold()
    if word in ("y", "yes"):
        return True
    if word in ("n", "no"):
        return False
    raise ValueError("write yes or no")


def one_of(*words: str) -> Callable[[str], str]:
    """Reads one of `words`; their beginnings will do where only one has them."""

    def read(text: str) -> str:
        word = text.strip().casefold()
        near = [each for each in words if each.startswith(word)] if word else []
        if word in words or len(near) == 1:
            return word if word in words else near[0]
        raise ValueError(f"write one of {', '.join(words)}")

    return read


class Asker:
    """Where answers come from.

    `given` are those of the flags, flag -> text; each is used once, so that an answer that was tried in vain
    can be asked for again. `console` is the terminal; None: nobody is there to ask. `yes`: defaults stand in
    for what nobody answers.
    """

    def __init__(
        self, given: Mapping[str, str], console: Console | None, say: Callable[[str], None], *, yes: bool
    ) -> None:
        self._given = dict(given)
        self._before: dict[str, str] = {}
        self._console = console
        self._yes = yes
        self.say = say

    @property
    def attended(self) -> bool:
        return self._console is not None

    def has(self, flag: str) -> bool:
        """Whether a flag answers that question."""
        return flag in self._given

    def ask(self, question: Question[T], default: str | None = None) -> T:
        """The answer. `default` goes before the question's own, and what was answered before goes first.

        Raises ConfigError, with the flag's name, where a flag's answer will not do or there is none.
        """
        default = question.default if default is None else default
        if question.flag in self._given:
            return self._checked(question, self._given.pop(question.flag))
        if self._console is not None:
            return self._asked(question, self._console, self._before.get(question.flag, default))
        if self._yes and default is not None:
            return self._checked(question, default)
        remedy = f"give --{question.flag}" + ("" if default is None else ", or --yes for its default")
        why = "no default" if self._yes else "nobody to ask: standard input is no terminal"
        raise ConfigError(f"no answer to --{question.flag} ({question.text}); there is {why}", remedy)

    def forget(self, question: Question[T]) -> None:
        """Do not offer what was answered before."""
        self._before.pop(question.flag, None)

    def settled(self, make: Callable[[], T], tried: Callable[[T], None], flag: str) -> T:
        """What `make` asks for, once `tried` has found it sound or the owner wants to keep it all the same.

        Raises ConfigError with the `flag` where nobody is there to ask again.
        """
        answer = make()
        while True:
            try:
                tried(answer)
            except TrialError as error:
                if self._console is None:
                    raise ConfigError(
                        f"--{flag}: {error.what}", f"{error.remedy}; or give --no-try"
                    ) from error
                self.say(f"  That did not work: {error.what}\n    to do: {error.remedy}")
                choice = self.ask(_AGAIN)
            else:
                return answer
            if choice == "keep":
                return answer
            if choice == "change":
                answer = make()

    def _checked(self, question: Question[T], text: str) -> T:
        try:
            answer = question.read(text)
        except ValueError as error:
            shown = "" if question.hidden else f' "{text}"'
            raise ConfigError(
                f"--{question.flag}{shown}: {error}", f"mend --{question.flag}; {question.help}"
            ) from error
        self._before[question.flag] = text
        return answer

    def _asked(self, question: Question[T], console: Console, default: str | None) -> T:
        shown = "as before" if question.hidden and default else default
        prompt = f"  {question.text}{'' if default is None else f' [{shown}]'}: "
        read_line = console.hidden if question.hidden else console.line
        self.say(f"\n{question.help}")
        while True:
            try:
                typed = read_line(prompt).strip()
            except (EOFError, KeyboardInterrupt):
                self.say("")
                raise ConfigError(*STOPPED) from None
            if typed == "?":
                self.say(f"  {question.explained}")
                continue
            if not typed and default is None:
                self.say("  An answer is needed here; ? explains.")
                continue
            text = typed or default or ""
            try:
                answer = question.read(text)
            except ValueError as error:
                self.say(f"  Not understood: {error}")
                continue
            self._before[question.flag] = text
            return answer


_AGAIN = Question(
    "again",
    "again, change, or keep",
    "Try it again, change the answer, or keep it as it is?",
    "again: the same once more. change: you are asked again. keep: it is written as it is, and may not work.",
    one_of("again", "change", "keep"),
    "change",
)
