"""The sample policies are read without a warning, and the built-in reference names every key."""

from __future__ import annotations

from pathlib import Path

import pytest

from dooryard.box.file import BoxFile
from dooryard.cli.check import reference
from dooryard.policy.parse import parse_policy
from dooryard.policy.reference import keys
from dooryard.policy.schema import Policy

POLICIES = sorted((Path(__file__).parents[3] / "policies").glob("*.toml"))
SINKS = frozenset({"phone", "second-phone", "post"})
VISITORS = frozenset({"bird", "squirrel", "cat"})


def test_there_are_samples():
    assert "alder-row.toml" in [path.name for path in POLICIES]


@pytest.mark.parametrize("path", POLICIES, ids=lambda path: path.name)
def test_sample(path):
    parsed = parse_policy(path.read_text("utf-8"), path.name, sinks=SINKS, visitors=VISITORS)
    assert parsed.warnings == ()
    assert "Alder Row" in parsed.value.place.name


TEXT = reference()


def test_every_key_has_a_line_with_a_meaning():
    for model, text in ((Policy, TEXT["policy"]), (BoxFile, TEXT["box"])):
        for written, info in keys(model):
            assert info.description, written
            head, _, key = written.rpartition(" ")
            assert f"### `{head}`" in text or not head
            assert f"- `{key}`" in text


@pytest.mark.parametrize(
    "row",
    [
        ("- `cooldown_min` = `4`, from 0 to 10080: Minutes that must pass after an alert before the next."),
        '- `at` = `"20:00"`: When it is sent, written as in [hours], or "never".',
        "- `watch.from` (must be given): ",
        '- `kind` = `"picamera"`, `"picamera"`, `"folder"`, `"scene"`, `"fake"`: ',
        '### `[[sink]] kind = "email"`',
        "- `hours.from` (must be given): ",
        "- `above_c` (must be given), from -40 to 125: ",
        "- `start` = `[]`",
        "- `seconds`, above 0 to 86400: ",
        "- `headers` = `{}`: ",
    ],
)
def test_rows(row):
    assert row in TEXT["policy"] + TEXT["box"]


def test_rows_are_rows():
    for line in (TEXT["policy"] + TEXT["box"]).splitlines():
        assert not line or line.startswith(("### ", "- `"))
    assert "Undefined" not in TEXT["box"]
