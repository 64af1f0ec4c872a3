"""On which line of a TOML document each key stands. Pure.

tomllib reads values and forgets where they stood; a message about a value needs its line. So the
text is gone through once more, after tomllib has found it valid: only then may it be read this
loosely. Grammar: TOML 1.0.0 (toml.io).
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

Path = tuple[str | int, ...]  # ("rule", 0, "send_to", 1)

_DEEPEST = 40  # what lies deeper has the line of what it lies in: no file of ours goes so deep

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'  # up to two quotation marks may stand before the closing three
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN = re.compile(r"[^,\]}\n#]+")  # number, date, boolean


def key_lines(text: str) -> dict[Path, int]:
    """Path -> line, from 1, of every table, key and array element in `text`, a valid TOML document.

    A table that is mentioned more than once (`[a]`, `[a.b]`) has the line of its first mention.
    Raises RecursionError on arrays nested some hundreds deep, as tomllib does.
    """
    return _Reader(text).document()


class _Reader:
    """Goes through a document from the left, `at` being the next character."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._starts = [0] + [i + 1 for i, c in enumerate(text) if c == "\n"]
        self._at = 0
        self._lines: dict[Path, int] = {}
        self._newest: dict[Path, int] = {}  # array of tables -> index of its newest element

    def document(self) -> dict[Path, int]:
        table: Path = ()
        self._blank()
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._blank()
        return self._lines

    def _blank(self) -> None:
        match = _BLANK.match(self._text, self._at)
        assert match is not None  # it matches the empty string
        self._at = match.end()

    def _note(self, path: Path) -> None:
        """Set down that `path` begins at the present character, unless it was mentioned before."""
        if len(path) <= _DEEPEST:
            self._lines.setdefault(path, bisect_right(self._starts, self._at))

    def _take(self, pattern: re.Pattern[str]) -> str | None:
        match = pattern.match(self._text, self._at)
        if match is None:
            return None
        self._at = match.end()
        return match[0]

    def _header(self) -> Path:
        """`[table]` or `[[array of tables]]`: return the path that the keys below it belong to."""
        start = self._at
        array = self._text.startswith("[[", start)
        self._at += 2 if array else 1
        self._blank()
        keys = self._dotted()
        self._blank()
        end = self._at + (2 if array else 1)
        self._at = start  # the line of the header is the line of its bracket
        path: Path = ()
        for key in keys[:-1]:
            path = self._inside((*path, key))
        path = (*path, keys[-1])
        self._note(path)
        if array:
            self._newest[path] = self._newest.get(path, -1) + 1
            path = (*path, self._newest[path])
            self._note(path)
        self._at = end
        return path

    def _inside(self, path: Path) -> Path:
        """`path`, or its newest element where it is an array of tables."""
        self._note(path)
        return (*path, self._newest[path]) if path in self._newest else path

    def _dotted(self) -> list[str]:
        """A key such as `a`, `"a b"` or `a.'b'.c`, in parts."""
        parts = [self._key()]
        self._blank()
        while self._text.startswith(".", self._at):
            self._at += 1
            self._blank()
            parts.append(self._key())
            self._blank()
        return parts

    def _key(self) -> str:
        bare = self._take(_BARE_KEY)
        if bare is not None:
            return bare
        quoted = self._take(_STRING)
        assert quoted is not None, "not TOML"
        return str(tomllib.loads(f"key = {quoted}")["key"])

    def _pair(self, table: Path) -> None:
        """`key = value`, in a table or an inline table."""
        start = self._at
        keys = self._dotted()
        after, self._at = self._at, start
        path = table
        for key in keys:
            path = (*path, key)
            self._note(path)
        self._at = after + 1  # past "="
        self._blank()
        self._value(path)

    def _value(self, path: Path) -> None:
        if self._take(_STRING) is not None:
            return
        opening = self._text[self._at]
        if opening == "[":
            self._items("]", path)
        elif opening == "{":
            self._items("}", path)
        else:
            self._take(_PLAIN)

    def _items(self, closing: str, path: Path) -> None:
        """What stands between brackets or braces, parted by commas."""
        self._at += 1
        self._blank()
        index = 0
        while not self._text.startswith(closing, self._at):
            if closing == "}":
                self._pair(path)
            else:
                self._note((*path, index))
                self._value((*path, index))
            index += 1
            self._blank()
            if self._text.startswith(",", self._at):
                self._at += 1
                self._blank()
        self._at += 1
