"""A TOML text as data with lines, and the list of what is wrong with it. Pure.

`read` never raises for what stands in the text: its problems are in the document it returns.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any, Generic, TypeVar

from dooryard.config.toml_depth import MOST_PARTS, deep_key_line
from dooryard.config.toml_lines import Path, key_lines
from dooryard.core.errors import ConfigError

T = TypeVar("T")

_MOST_SHOWN = 60
_UNIT = re.compile(r"_(?:s|min|h|ms|c|f|m|mb|gb|per_s)$")
_PLAIN_KEY = re.compile(r"[A-Za-z0-9_-]{1,60}")
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_WHERE = re.compile(r"\s*\(at [^)]*\)$")
_VALUE_WANTED = ("invalid value", "expected newline")
_OFTEN = (  # what people write, and what to do; a group of the pattern goes into the words
    (
        re.compile("[\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb]"),
        'quotation marks must be the straight ones: "',
    ),
    (re.compile(r"=\s*(-?\d+),(\d+)\s*(?:#|$)"), "a decimal has a point: {}.{}"),
    (re.compile(r"[=,{\[]\s*(\d{1,2}:\d{2})(?=\s*[,}\]#]|\s*$)"), 'times stand in quotation marks: "{}"'),
    (re.compile(r"=\s*((?:sunrise|sunset|dawn|dusk)\S*)"), 'times stand in quotation marks: "{}"'),
    (
        re.compile(r"=\s*(True|False|yes|no|on|off)\b"),
        "it is true or false, in small letters, where {} stands",
    ),
)
_UNQUOTED = re.compile(r"=\s*[A-Za-z0-9:./@ +-]+$")


@dataclass(frozen=True, slots=True)
class Parsed(Generic[T]):
    """What a file says, and what its owner may want to know about it."""

    value: T
    warnings: tuple[str, ...] = ()  # each "file:line: key: text"


@dataclass(slots=True)
class Document:
    """A file's tables, where its keys stand, and the problems found so far."""

    file: str
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[Path, int] = field(default_factory=dict)
    readable: bool = True  # False: not TOML at all, `data` is empty
    problems: list[tuple[int, str]] = field(default_factory=list)
    warnings: list[tuple[int, str]] = field(default_factory=list)

    def problem(self, path: Path, text: str) -> None:
        """`text` says what is wrong and what to do."""
        self.problems.append(self._entry(path, text))

    def warning(self, path: Path, text: str) -> None:
        self.warnings.append(self._entry(path, text))

    def line(self, path: Path) -> int:
        """The line of `path`, or of the nearest thing around it that stands in the file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 1

    def _entry(self, path: Path, text: str) -> tuple[int, str]:
        line = self.line(path)
        key = shown(path)
        return line, f"{self.file}:{line}: {key}: {text}" if key else f"{self.file}:{line}: {text}"

    def told(self) -> tuple[str, ...]:
        """The warnings in the order of their lines, each once."""
        return tuple(dict.fromkeys(text for _line, text in sorted(self.warnings)))

    def raise_problems(self) -> None:
        """Raise ConfigError with all problems, in the order of their lines, if there are any."""
        if self.problems:
            texts = dict.fromkeys(text for _line, text in sorted(self.problems))
            raise ConfigError("\n".join(texts), f"fix what is named above, then: dooryard check {self.file}")


def shown(path: Path) -> str:
    """A path as people read it, counting from 1: rule[2].cooldown_min."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            name = part if _PLAIN_KEY.fullmatch(part) else quoted(part)
            text += f".{name}" if text else name
    return text


def quoted(text: str) -> str:
    """`text` in quotation marks, fit for one line: cut short, control characters as question marks."""
    short = text if len(text) <= _MOST_SHOWN else text[:_MOST_SHOWN] + "..."
    return '"' + "".join(c if c.isprintable() else "?" for c in short) + '"'


def did_you_mean(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """' (did you mean "squirrel"?)', or nothing where nothing is near: as alike as `cutoff`, 0 to 1."""
    near = {name.casefold(): name for name in sorted(known)}
    stem = _UNIT.sub("", word.casefold()[:60])  # cooldown_s is meant for cooldown_min, not for cooldown_per
    same = [name for name in near if _UNIT.search(name) and _UNIT.sub("", name) == stem]
    found = same[:1] or get_close_matches(word.casefold()[:60], near, n=1, cutoff=cutoff)
    return f' (did you mean "{near[found[0]]}"?)' if found else ""


def read(text: str, file: str) -> Document:
    """The document in `text`. A byte order mark at its start, as some editors leave, is passed over."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    if (deep := deep_key_line(text)) is not None:
        line, what = deep, f"a key of more than {MOST_PARTS} parts; a policy or box file needs three"
        return Document(file, readable=False, problems=[(line, f"{file}:{line}: {what}")])
    try:
        data = tomllib.loads(text)
        return Document(file, data, key_lines(text))
    except RecursionError:
        line, what = 1, "brackets are nested too deeply; a policy or box file needs two levels"
    except ValueError as error:  # TOMLDecodeError is one; so is an integer of thousands of digits
        line, what = _syntax(str(error), text)
    return Document(file, readable=False, problems=[(line, f"{file}:{line}: {what}")])


def _syntax(message: str, text: str) -> tuple[int, str]:
    """The line of a syntax error and a text with what to do."""
    rows = text.split("\n")
    found = _AT_LINE.search(message)
    line = int(found[1]) if found else max(1, len(text.rstrip("\n").split("\n")))
    row = rows[line - 1] if line <= len(rows) else ""
    what = _WHERE.sub("", message)
    what = what[:1].lower() + what[1:]
    if "digits" in what:
        return line, "a number of thousands of digits; write it shorter"
    for looks, remedy in _OFTEN:
        if found_so := looks.search(row):
            return line, f"not valid TOML: {remedy.format(*found_so.groups())}"
    if what.startswith("cannot overwrite"):
        key = row.partition("=")[0].strip().strip("[] ")
        return line, f"{quoted(key)} is given twice; keep one of the two"
    if what.startswith(_VALUE_WANTED) and _UNQUOTED.search(row.partition("#")[0].rstrip()):
        return line, f'not valid TOML: {what}; text and times stand in quotation marks: key = "21:30"'
    return line, f"not valid TOML: {what}; look at this line and the one before it"
