"""Text with placeholders, checked when it is read: pure.

A placeholder is written ``$title`` or ``${title}``; ``$$`` is a dollar sign. In a JSON template it may stand
inside a string, where what is put in is escaped, or bare, where it becomes a JSON value of its own:
``{"text": "$title", "sure": $sure, "urgent": $urgent}``.

Form of the placeholders: Python's documentation of string.Template. JSON: RFC 8259.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass

Value = str | float | int | bool | None

# What can be put in, and an example of each; a template is tried with these when it is read.
EXAMPLES: dict[str, Value] = {
    "id": "019ec637-b480-767e-9859-54dc36a4dd16",
    "kind": "visit",
    "title": "A squirrel at Alder Row, 14:05",
    "text": "A squirrel, 91 % sure; came today at 14:05.",
    "time": "2026-06-14T13:05:00Z",
    "unix_s": 1_781_442_300,
    "clock_set": True,
    "urgent": False,
    "visit": "019ec637-b480-767e-9859-54dc36a4dd16",
    "visitor": "a squirrel",
    "group": "squirrel",
    "species": None,
    "scientific": None,
    "sure": 0.91,
    "picture_name": "019ec637-b480-767e-9859-54dc36a4dd16.jpg",
    "picture_base64": "/9j/2Q==",
}

_MARK = re.compile(r"\$(?:(?P<dollar>\$)|(?P<name>[A-Za-z_]\w*)|\{(?P<braced>\w+)\}|(?P<wrong>))", re.ASCII)


class TemplateError(ValueError):
    """A template that cannot work. `line` and `column` count from 1, within the template."""

    def __init__(self, line: int, column: int, text: str) -> None:
        super().__init__(f"line {line}, column {column}: {text}")
        self.line = line
        self.column = column
        self.text = text


@dataclass(frozen=True, slots=True)
class Hole:
    """Where a value goes."""

    name: str
    quoted: bool = True  # inside a JSON string; has no meaning in plain text


@dataclass(frozen=True, slots=True)
class Template:
    """Text and holes in turn. Build it with `parse_template` or `parse_json_template`."""

    parts: tuple[str | Hole, ...]
    json: bool = False

    @property
    def names(self) -> frozenset[str]:
        return frozenset(part.name for part in self.parts if isinstance(part, Hole))

    def filled(self, values: Mapping[str, Value]) -> str:
        """The text with `values` in its holes; `values` has every name of `EXAMPLES`."""
        return "".join(
            part if isinstance(part, str) else self._shown(part, values[part.name]) for part in self.parts
        )

    def _shown(self, hole: Hole, value: Value) -> str:
        if self.json and not hole.quoted:
            return json.dumps(value)
        text = _plain(value)
        return json.dumps(text)[1:-1] if self.json else text


def parse_template(text: str) -> Template:
    """Read plain text with placeholders. Raises `TemplateError` for one that is unknown or malformed."""
    parts: list[str | Hole] = []
    at = 0
    for mark in _MARK.finditer(text):
        parts.append(text[at : mark.start()])
        at = mark.end()
        if mark["dollar"]:
            parts.append("$")
        else:
            parts.append(Hole(_known_name(text, mark)))
    parts.append(text[at:])
    return Template(tuple(part for part in parts if part != ""))


def parse_json_template(text: str) -> Template:
    """Read a JSON text with placeholders. Raises `TemplateError` also where it would not become JSON."""
    parts: list[str | Hole] = []
    in_string = False
    for part in parse_template(text).parts:
        if isinstance(part, Hole):
            parts.append(Hole(part.name, quoted=in_string))
        else:
            parts.append(part)
            in_string = _string_open_after(part, opened=in_string)
    template = Template(tuple(parts), json=True)
    try:
        json.loads(template.filled(EXAMPLES))
    except json.JSONDecodeError as error:
        # What was put in has no line breaks, so the line is the template's own; the column may not be.
        raise TemplateError(error.lineno, error.colno, f"is not valid JSON here: {error.msg}") from None
    return template


def _known_name(text: str, mark: re.Match[str]) -> str:
    name = mark["name"] or mark["braced"]
    line = text.count("\n", 0, mark.start()) + 1
    column = mark.start() - (text.rfind("\n", 0, mark.start()) + 1) + 1
    if name is None:
        raise TemplateError(line, column, "a $ without a name after it; write $$ for a dollar sign")
    if name not in EXAMPLES:
        near = difflib.get_close_matches(name, EXAMPLES, 1)
        hint = f' (did you mean "${near[0]}"?)' if near else f"; there are {', '.join(EXAMPLES)}"
        raise TemplateError(line, column, f'unknown placeholder "${name}"{hint}')
    return name


def _string_open_after(text: str, *, opened: bool) -> bool:
    """Whether a JSON string is open at the end of `text`, if one was (not) at its beginning."""
    for mark in re.finditer(r'\\.|"', text, re.DOTALL):
        opened ^= mark[0] == '"'
    return opened


def _plain(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)
