"""Finds TOML keys of far too many parts, before a parser is given them. Pure.

tomllib makes a table for each part of a dotted key and goes down from the top for each, so the time for one
key grows with the square of its parts. Here a text is gone through once, from the left, without going back.
"""

from __future__ import annotations

import re

MOST_PARTS = 20

_PART = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]++|\\.)*+"|'[^'\n]*+')"""
_DOT = r"[ \t]*+\.[ \t]*+"
_TOKEN = re.compile(
    r"(?P<passed>#[^\n]*+"
    r'|"""(?:[^"\\]++|\\.|"{1,2}(?!"))*+"{3,5}'
    r"|'''(?:[^']++|'{1,2}(?!'))*+'{3,5})"
    rf"|(?P<deep>{_PART}(?:{_DOT}{_PART}){{{MOST_PARTS},}}+)"
    rf"|{_PART}(?:{_DOT}{_PART})*+"
    r"""|[^A-Za-z0-9_"'#-]++""",
    re.DOTALL,
)


def deep_key_line(text: str) -> int | None:
    """The line, from 1, of the first key or table of more than `MOST_PARTS` parts; None: there is none.

    Stops at a string without an end: there a parser stops too.
    """
    at = 0
    while match := _TOKEN.match(text, at):
        if match["deep"] is not None:
            return text.count("\n", 0, at) + 1
        at = match.end()
    return None
