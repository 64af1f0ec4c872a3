"""Where keys stand in a TOML text."""

from __future__ import annotations

import pytest

from dooryard.config.toml_lines import key_lines

TEXT = '''# a comment with [brackets] and key = 1
top = 1
place.name = "Alder # Row"      # dotted
[hours]  # a table
watch = { from = "05:00", "to" = '21:00' }
quiet = [
    # a comment ] in a list
    { from = "21:30", to = "07:00" },
    { from = "12:00",
      to = "13:00" },
]

[[rule]]
name = """
fake = 1
[not.a.table]
"""
visitor = ["bird",
  "cat"]
[rule.when]
note = \'\'\'x = "\'\' \'\'\'
"a \\"b\\".c" = 1979-05-27 07:32:00
[[rule.sub]]
x = 1
[[rule]]
'b c'.d = [[1, 2], [3]]
[[rule.sub]]
x = """two quotes at the end"""""
last = true'''


@pytest.fixture(scope="module")
def lines():
    # Within inline tables TOML 1.0 has no line breaks; this one table has one, as TOML 1.1 allows.
    return key_lines(TEXT)


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("place",), 3),
        (("place", "name"), 3),
        (("hours",), 4),
        (("hours", "watch"), 5),
        (("hours", "watch", "from"), 5),
        (("hours", "watch", "to"), 5),
        (("hours", "quiet"), 6),
        (("hours", "quiet", 0), 8),
        (("hours", "quiet", 0, "to"), 8),
        (("hours", "quiet", 1), 9),
        (("hours", "quiet", 1, "to"), 10),
        (("rule",), 13),
        (("rule", 0), 13),
        (("rule", 0, "name"), 14),
        (("rule", 0, "visitor", 0), 18),
        (("rule", 0, "visitor", 1), 19),
        (("rule", 0, "when"), 20),
        (("rule", 0, "when", "note"), 21),
        (("rule", 0, "when", 'a "b".c'), 22),
        (("rule", 0, "sub", 0, "x"), 24),
        (("rule", 1), 25),
        (("rule", 1, "b c", "d"), 26),
        (("rule", 1, "b c", "d", 1, 0), 26),
        (("rule", 1, "sub", 0), 27),
        (("rule", 1, "sub", 0, "x"), 28),
        (("rule", 1, "sub", 0, "last"), 29),
    ],
)
def test_line_of(lines, path, line):
    assert lines[path] == line


def test_nothing_is_taken_for_a_key_that_is_none(lines):
    assert not any("fake" in path or "not" in path for path in lines)


@pytest.mark.parametrize("text", ["", "\n\n", "# only this", "  \t"])
def test_empty(text):
    assert key_lines(text) == {}
