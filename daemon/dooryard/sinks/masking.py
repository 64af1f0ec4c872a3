"""Keeps secrets out of what a peer says back: pure.

Some servers repeat in an error what they were sent, as it was sent: in base64, say, and maybe cut short.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import quote, quote_plus

from dooryard.sinks.letter import one_line

MASK = "[secret]"
_PIECE = 8  # so many letters in a row of an encoded secret are no accident
_LONGEST = 4096  # of a peer's words, before they are cut to what is shown


@dataclass(frozen=True, slots=True)
class Secrets:
    """What must not be shown: `whole` as it is, and no piece of `encoded`."""

    whole: tuple[str, ...] = ()
    encoded: tuple[str, ...] = ()


def secrets_of(password: str | None, user: str | None = None) -> Secrets:
    """A password in each form that a sink sends it in: bare, in base64 (alone, and with its user as SMTP's
    PLAIN, RFC 4616, and HTTP's Basic, RFC 7617, have it), and percent-encoded.
    """
    if not password:
        return Secrets()
    name = user or ""
    sent = (name, password, f"\0{name}\0{password}", f"{name}:{password}")
    encoded = [
        base64.b64encode(each.encode("utf-8", "replace")).decode().rstrip("=") for each in sent if each
    ]
    bare = {one_line(password), quote(password, safe=""), quote_plus(password)} - {""}
    return Secrets(tuple(sorted(bare, key=len, reverse=True)), tuple(encoded))


def masked(text: str, secrets: Secrets, longest: int) -> str:
    """`text` in one line of at most `longest` characters, without any of `secrets`."""
    shown = one_line(text[:_LONGEST])
    for word in secrets.whole:
        shown = shown.replace(word, MASK)
    return _without_pieces(shown, secrets.encoded)[:longest]


def _without_pieces(text: str, encoded: Iterable[str]) -> str:
    hidden = [False] * len(text)
    for word in encoded:
        length = min(_PIECE, len(word))
        pieces = {word[at : at + length] for at in range(len(word) - length + 1)}
        for at in range(len(text) - length + 1):
            if text[at : at + length] in pieces:
                hidden[at : at + length] = [True] * length
    shown = (
        letter if not hidden[at] else ("" if at and hidden[at - 1] else MASK)
        for at, letter in enumerate(text)
    )
    return "".join(shown)
