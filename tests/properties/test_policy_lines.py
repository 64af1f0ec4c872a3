"""Lines of keys: documents are generated together with the lines their keys stand on."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from dooryard.config.toml_lines import Path, key_lines

BARE = st.text("abcXYZ019_-", min_size=1, max_size=4)
AWKWARD = st.text("ab .#=[]{}\"',\\é\n", max_size=5)
KEYS = st.one_of(BARE, AWKWARD)
LEAVES = st.one_of(
    st.integers(-99, 99),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    AWKWARD,
    st.datetimes(),
    st.dates(),
    st.times(),
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=3)),
    max_leaves=8,
)
ARRAYS = st.lists(st.dictionaries(KEYS, VALUES, max_size=3), max_size=3)
TABLES = st.dictionaries(KEYS, st.one_of(VALUES, ARRAYS), max_size=4)
BLANKS = st.sampled_from(["", "\n", "# key = [1]\n", "\n  # [table]\n\n"])


class Writer:
    """Writes TOML in as many ways as it has, and notes the line of each path as it goes."""

    def __init__(self, draw: Any) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[Path, int] = {}

    def note(self, path: Path) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def choose(self, *choices: str) -> str:
        return self.draw(st.sampled_from(choices))

    def key(self, key: str) -> str:
        bare = key and all(c in "abcdefghijklmnopqrstuvwxyzXYZ0123456789_-" for c in key)
        if bare and self.draw(st.booleans()):
            return key
        if "'" not in key and "\n" not in key and self.draw(st.booleans()):
            return f"'{key}'"
        return self.basic(key)

    @staticmethod
    def basic(text: str) -> str:
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'

    def string(self, text: str) -> str:
        if self.draw(st.booleans()):
            return self.basic(text)
        if "'" not in text and "\\" not in text:
            return f"'''\n{text}'''"  # the line break after the opening is not part of it
        opening = '"""\n' if text.startswith("\n") else '"""'  # a line break just after it is dropped
        return (
            opening + text.replace("\\", "\\\\").replace('"""', '""\\"').replace('""""', '"""\\"') + '\\\n"""'
        )

    def value(self, value: Any, path: Path, inline: bool) -> None:
        if isinstance(value, dict):
            self.text += "{"
            for i, (key, item) in enumerate(value.items()):
                self.text += ", " if i else " "
                self.note((*path, key))
                self.text += f"{self.key(key)} = "
                self.value(item, (*path, key), True)
            self.text += " }"
        elif isinstance(value, list):
            self.text += "["
            for i, item in enumerate(value):
                self.text += self.choose("", "\n  ", " # ]\n") if not inline else " "
                self.note((*path, i))
                self.value(item, (*path, i), inline)
                self.text += ","
            self.text += "]"
        elif isinstance(value, bool):
            self.text += str(value).lower()
        elif isinstance(value, str):
            self.text += self.basic(value) if inline else self.string(value)
        elif hasattr(value, "isoformat"):
            self.text += value.isoformat(sep=" ") if hasattr(value, "date") else value.isoformat()
        else:
            self.text += repr(value)

    def pair(self, key: str, value: Any, path: Path) -> None:
        if isinstance(value, dict) and value and self.draw(st.booleans()):  # dotted
            for inner, item in value.items():
                self.note((*path, key))
                self.note((*path, key, inner))
                self.text += f"{self.key(key)}{self.choose('.', ' . ')}{self.key(inner)} = "
                self.value(item, (*path, key, inner), False)
                self.text += "\n"
            return
        self.note((*path, key))
        self.text += f"{self.key(key)} {self.choose('= ', '=')}"
        self.value(value, (*path, key), False)
        self.text += self.choose("\n", "  # note\n")

    def document(self, data: dict[str, Any]) -> None:
        later = {}
        for key, value in data.items():
            tables = isinstance(value, list) and value and all(isinstance(item, dict) for item in value)
            if (tables or isinstance(value, dict)) and self.draw(st.booleans()):
                later[key] = value
            else:
                self.text += self.draw(BLANKS)
                self.pair(key, value, ())
        for key, value in later.items():
            items = value if isinstance(value, list) else [value]
            for i, item in enumerate(items):
                self.text += self.draw(BLANKS)
                path: Path = (key,)
                self.note(path)
                if isinstance(value, list):
                    path = (key, i)
                    self.note(path)
                    self.text += f"[[ {self.key(key)} ]]\n"
                else:
                    self.text += f"[{self.key(key)}]  # table\n"
                for inner, each in item.items():
                    self.pair(inner, each, path)


def paths(value: Any, path: Path = ()) -> set[Path]:
    """Every path in what tomllib read."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = {path} if path else set()
    for key, item in items:
        found |= paths(item, (*path, key))
    return found


@given(TABLES, st.data())
def test_lines_agree_with_tomllib_and_with_the_writer(data, draws):
    writer = Writer(draws.draw)
    writer.document(data)
    read = tomllib.loads(writer.text)
    assert read == data  # or the writer is wrong
    found = key_lines(writer.text)
    assert set(found) == paths(read)
    assert found == writer.lines
