"""Damaged files: every one is either read, or refused with lines that point into it. Never a traceback.

With DOORYARD_LONG=1 in the environment, 100,000 damaged policies are tried instead of 2,000.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.box.file import BoxFile, parse_box
from dooryard.core.errors import ConfigError
from dooryard.health.thermal import steps_of
from dooryard.policy.decide import decide
from dooryard.policy.hours import quiet, watching
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from fakes.rules import SINKS, START, visit

POLICIES = [
    path.read_text("utf-8") for path in sorted((Path(__file__).parents[2] / "policies").glob("*.toml"))
]
BOX = """name = "Alder Row box"
state_folder = "state"
[camera]
kind = "scene"
seed = 3
preset = "gusty"
[gate]
smallest = 0.05
ignore = [[[0, 0], [0.2, 0], [0.2, 0.5]], [[0.5, 0.5], [1, 0.5], [1, 1]]]
[[sink]]
kind = "webhook"
name = "phone"
url = "https://hooks.a.example/x"
secret = "credential:qq-secret"
[[sink]]
kind = "email"
name = "post"
host = "127.0.0.1"
security = "none"
from = "Alder Row <box@a.example>"
to = ["me@a.example"]
user = "box"
password = "env:MAIL_PASSWORD"
"""
VISITORS = frozenset({"bird", "squirrel", "cat"})
TOKENS = st.one_of(
    st.sampled_from("[]{}=\"',.#\n\\\0\ré\u2028\x7f\ud800"),
    st.sampled_from(
        ["[[", "]]", "'''", '"""', "{}", "[]", '""', "true", "nan", "-inf", "1e999", "-0", "0x7f"]
    ),
    st.sampled_from(["9" * 30, "9" * 5000, "1979-05-27", "07:32:00", "[[1, 2], [3]]", '"' + "x" * 300 + '"']),
    st.sampled_from(["rule", "[rule.x]", "[[place]]", 'kind = "email"', "name", "from", "to", "place.x = 1"]),
    st.sampled_from(['"sunrise-30min"', '"24:00"', '"all"', '"not sure"', '"UTC"']),
)


@st.composite
def damaged(draw: Callable[..., Any], texts: list[str]) -> str:
    """One of `texts` with one to six changes."""
    text = draw(st.sampled_from(texts))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(text)))
        length = draw(st.integers(0, 12))
        change = draw(
            st.sampled_from(["insert", "remove", "replace value", "copy line", "drop line", "swap"])
        )
        lines = text.split("\n")
        n = draw(st.integers(0, len(lines) - 1))
        if change == "insert":
            text = text[:at] + draw(TOKENS) + text[at:]
        elif change == "remove":
            text = text[:at] + text[at + length :]
        elif change == "replace value" and "=" in lines[n]:
            lines[n] = lines[n].partition("=")[0] + "= " + draw(TOKENS)
            text = "\n".join(lines)
        elif change == "copy line":
            text = "\n".join([*lines, lines[n]])
        elif change == "drop line":
            text = "\n".join(lines[:n] + lines[n + 1 :])
        else:
            m = draw(st.integers(0, len(lines) - 1))
            lines[n], lines[m] = lines[m], lines[n]
            text = "\n".join(lines)
    return text


def check_problems(error: ConfigError, text: str) -> None:
    """Each problem is one line that points into the file and says something."""
    last = text.replace("\r\n", "\n").count("\n") + 1
    for problem in error.what.split("\n"):
        match = re.fullmatch(r"m\.toml:(\d+): \S.{5,}", problem)
        assert match, problem
        assert 1 <= int(match[1]) <= last
        assert "qq-secret" not in problem


def try_policy(policy: Policy) -> None:
    """What was read can be used."""
    for hours in range(0, 48, 7):
        at = START.wall + timedelta(hours=hours)
        watching(policy, at, True)
        quiet(policy, at, True)
    steps_of(policy)
    _, decision = decide(policy, PolicyState(), visit("bird"), START, True, sinks=SINKS)
    assert decision.reason


@settings(max_examples=100_000 if os.environ.get("DOORYARD_LONG") else 2000, deadline=None)
@given(damaged(POLICIES))
def test_damaged_policies(text):
    try:
        policy = parse_policy(text, "m.toml", sinks=SINKS | {"second-phone"}, visitors=VISITORS).value
    except ConfigError as error:
        check_problems(error, text)
    else:
        try_policy(policy)


@settings(max_examples=1000, deadline=None)
@given(damaged([BOX]))
def test_damaged_box_files(text):
    try:
        box = parse_box(text, "m.toml").value
    except ConfigError as error:
        check_problems(error, text)
    else:
        assert isinstance(box, BoxFile)
        assert len({sink.name for sink in box.sink}) == len(box.sink)


@settings(max_examples=500, deadline=None)
@given(st.one_of(st.text(max_size=80), st.binary(max_size=80).map(lambda b: b.decode("latin-1"))))
@pytest.mark.parametrize("parse", [parse_policy, parse_box])
def test_any_text(parse, text):
    try:
        parse(text, "m.toml")
    except ConfigError as error:
        check_problems(error, text)


def test_the_undamaged_files_are_read():
    for text in POLICIES:
        try_policy(parse_policy(text, "m.toml", sinks=SINKS | {"second-phone"}, visitors=VISITORS).value)
    assert len(parse_box(BOX, "m.toml").value.sink) == 2
