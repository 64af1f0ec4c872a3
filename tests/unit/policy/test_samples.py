"""The sample policies are read without a warning, and the built-in reference names every key."""

from __future__ import annotations

from pathlib import Path

import pytest

from dooryard.box import BoxFile
from dooryard.check import reference
from dooryard.policy.parse import parse_policy
from dooryard.policy.reference import keys
from dooryard.policy.schema import Policy

POLICIES = sorted((Path(__file__).parents[3] / "policies").glob("*.toml"))
VISITORS = frozenset({"bird", "squirrel", "cat"})


def test_there_are_samples():
    assert "alder-row.toml" in [path.name for path in POLICIES]


@pytest.mark.parametrize("path", POLICIES, ids=lambda path: path.name)
def test_sample(path):
    parsed = parse_policy(
        path.read_text("utf-8"), path.name, sinks=frozenset({"phone", "post"}), visitors=VISITORS
    )
    assert parsed.warnings == ()
    assert "Alder Row" in parsed.value.place.name


def test_every_key_has_a_line_with_a_meaning():
    text = reference()
    for model in (Policy, BoxFile):
        for key, info in keys(model):
            assert info.description, key
            assert f"| `{key}` |" in text


@pytest.mark.parametrize(
    "row",
    [
        (
            "| `[[rule]] cooldown_min` | `4` | from 0 to 10080 | Minutes that must pass after an alert "
            "before the next. |"
        ),
        '| `[summary] at` | `"20:00"` |  | When it is sent, written as in [hours], or "never". |',
        "| `[hours] watch.from` | must be given |",
        '| `[camera] kind` | `"picamera"` | `"picamera"`, `"folder"`, `"scene"`, `"fake"` |',
        '| `[[sink]] kind = "email": from` | must be given |',
        "| `[[rule]] hours.from` | must be given |",
        "| `[[heat]] above_c` | must be given | from -40 to 125 |",
        "| `[messages] start` | `[]` |",
        "| `[camera] seconds` | left out | above 0 to 86400 |",
    ],
)
def test_rows(row):
    assert row in reference()


def test_rows_are_rows():
    for line in reference().split("\n"):
        assert not line or line.startswith("### ") or line.count("|") == 5


def test_a_default_that_is_made_anew_each_time_is_shown():
    assert '| `[[sink]] kind = "webhook": headers` | `{}` |' in reference()
    assert "Undefined" not in reference()
